/* trail_find.c - patches of light and their moments.
 * Idea: runs of pixels above the threshold, row by row; a run that touches one of the row above
 * belongs to the same patch (8 neighbours; union by lowest index, Rosenfeld & Pfaltz 1966, J. ACM
 * 13, 471). Sums are kept with the root, so that no second pass over the pixels is needed.
 * Holds: blank pixels belong to no patch. */
#include "image/trail_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { PATCHES_MAX = 1 << 20 };

enum nw_status trail_plane_init(struct nw_image_view image, struct trail_plane *ret,
                                struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct nw_background *background = NULL;
    struct trail_plane plane = {
        .width_px = image.width_px,
        .height_px = image.height_px,
    };
    float *work = nw_calloc(image.width_px, sizeof *work);
    float *sky = nw_calloc(image.width_px, sizeof *sky);
    plane.px = nw_calloc(image.width_px * image.height_px, sizeof *plane.px);
    if (!work || !sky || !plane.px) {
        status =
            nw_err_set(err, NW_NOMEM, "image of %zu x %zu px", image.width_px, image.height_px);
        goto done;
    }
    status = nw_background_new(image, NULL, &background, err);
    if (status != NW_OK) {
        goto done;
    }
    plane.noise_adu = nw_background_noise_adu(background);
    for (size_t y = 0; y < image.height_px; y++) {
        nw_background_row(background, y, sky, NULL);
        const float *row = nw_image_span(&image, 0, image.width_px, y, work);
        for (size_t x = 0; x < image.width_px; x++) {
            plane.px[y * image.width_px + x] = row[x] - sky[x];
        }
    }
    *ret = plane;
    plane.px = NULL;
done:
    free(work);
    free(sky);
    free(plane.px);
    nw_background_free(background);
    return status;
}

struct run {
    size_t x0, x1, patch; /* pixels x0 .. x1 - 1 */
};

struct labels {
    struct trail_patch *patches;
    size_t *parent;
    size_t n, cap;
};

static size_t root_of(struct labels *labels, size_t i) {
    while (labels->parent[i] != i) {
        labels->parent[i] = labels->parent[labels->parent[i]];
        i = labels->parent[i];
    }
    return i;
}

static void add_patch(struct trail_patch *to, const struct trail_patch *from) {
    to->n_px += from->n_px;
    to->sx += from->sx;
    to->sy += from->sy;
    to->sxx += from->sxx;
    to->syy += from->syy;
    to->sxy += from->sxy;
    to->light_adu += from->light_adu;
    to->peak_adu = fmax(to->peak_adu, from->peak_adu);
    to->x0 = to->x0 < from->x0 ? to->x0 : from->x0;
    to->y0 = to->y0 < from->y0 ? to->y0 : from->y0;
    to->x1 = to->x1 > from->x1 ? to->x1 : from->x1;
    to->y1 = to->y1 > from->y1 ? to->y1 : from->y1;
}

static bool new_label(struct labels *labels, size_t *ret) {
    if (labels->n == labels->cap) {
        const size_t cap = labels->cap ? 2 * labels->cap : 1024;
        struct trail_patch *patches =
            cap > PATCHES_MAX ? NULL : realloc(labels->patches, cap * sizeof *patches);
        if (patches) {
            labels->patches = patches;
        }
        size_t *parent = patches ? realloc(labels->parent, cap * sizeof *parent) : NULL;
        if (!parent) {
            return false;
        }
        labels->parent = parent;
        labels->cap = cap;
    }
    labels->patches[labels->n] = (struct trail_patch){.x0 = SIZE_MAX, .y0 = SIZE_MAX};
    labels->parent[labels->n] = labels->n;
    *ret = labels->n++;
    return true;
}

static struct trail_patch sum_run(const float *row, size_t y, const struct run *run) {
    struct trail_patch sum = {.n_px = run->x1 - run->x0,
                              .x0 = run->x0,
                              .x1 = run->x1,
                              .y0 = y,
                              .y1 = y + 1,
                              .peak_adu = -INFINITY};
    for (size_t x = run->x0; x < run->x1; x++) {
        const double v = (double)row[x];
        const double at = (double)x;
        sum.sx += at;
        sum.sxx += at * at;
        sum.light_adu += v;
        sum.peak_adu = fmax(sum.peak_adu, v);
    }
    sum.sy = (double)sum.n_px * (double)y;
    sum.syy = sum.sy * (double)y;
    sum.sxy = sum.sx * (double)y;
    return sum;
}

/* The runs of one row, joined to those of the row above. Returns how many, SIZE_MAX: no memory. */
static size_t label_row(const float *row, size_t width_px, size_t y, double threshold_adu,
                        struct labels *labels, struct run *runs[static 2]) {
    const struct run *above = runs[0];
    struct run *here = runs[1];
    size_t n = 0;
    for (size_t x = 0; x < width_px;) {
        if (!((double)row[x] > threshold_adu)) {
            x++;
            continue;
        }
        struct run run = {.x0 = x, .patch = SIZE_MAX};
        while (x < width_px && (double)row[x] > threshold_adu) {
            x++;
        }
        run.x1 = x;
        for (; above->x0 != SIZE_MAX && above->x0 <= run.x1; above++) {
            if (above->x1 < run.x0) {
                continue;
            }
            const size_t other = root_of(labels, above->patch);
            if (run.patch == SIZE_MAX) {
                run.patch = other;
            } else if (other != run.patch) {
                const size_t low = other < run.patch ? other : run.patch;
                const size_t high = other < run.patch ? run.patch : other;
                add_patch(&labels->patches[low], &labels->patches[high]);
                labels->parent[high] = low;
                run.patch = low;
            }
            if (above->x1 > run.x1) {
                break; /* it may touch the next run too */
            }
        }
        if (run.patch == SIZE_MAX && !new_label(labels, &run.patch)) {
            return SIZE_MAX;
        }
        const struct trail_patch sum = sum_run(row, y, &run);
        add_patch(&labels->patches[run.patch], &sum);
        here[n++] = run;
    }
    here[n].x0 = SIZE_MAX;
    return n;
}

/* Angle, length and width of the even bar that has these second moments: l^2/12. */
static void finish_patch(struct trail_patch *p) {
    const double n = (double)p->n_px;
    p->sx /= n;
    p->sy /= n;
    p->sxx = p->sxx / n - p->sx * p->sx;
    p->syy = p->syy / n - p->sy * p->sy;
    p->sxy = p->sxy / n - p->sx * p->sy;
    const double mean = 0.5 * (p->sxx + p->syy);
    const double split = hypot(0.5 * (p->sxx - p->syy), p->sxy);
    p->angle_rad = 0.5 * atan2(2.0 * p->sxy, p->sxx - p->syy);
    p->length_px = sqrt(12.0 * (mean + split));
    p->width_px = sqrt(12.0 * fmax(0.0, mean - split));
}

static int brighter(const void *a, const void *b) {
    const double left = ((const struct trail_patch *)a)->light_adu;
    const double right = ((const struct trail_patch *)b)->light_adu;
    return (left < right) - (left > right);
}

enum nw_status trail_patches_find(const struct trail_plane *plane, double threshold_adu,
                                  size_t min_px, struct trail_patches *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct labels labels = {0};
    struct run *runs[2] = {nw_calloc(plane->width_px / 2 + 2, sizeof **runs),
                           nw_calloc(plane->width_px / 2 + 2, sizeof **runs)};
    if (!runs[0] || !runs[1]) {
        status = nw_err_set(err, NW_NOMEM, "runs of a row of %zu px", plane->width_px);
        goto done;
    }
    runs[0][0].x0 = SIZE_MAX;
    for (size_t y = 0; y < plane->height_px; y++) {
        if (label_row(&plane->px[y * plane->width_px], plane->width_px, y, threshold_adu, &labels,
                      runs) == SIZE_MAX) {
            status = nw_err_set(err, NW_DATA, "more than %d patches of light", PATCHES_MAX / 2);
            goto done;
        }
        struct run *swap = runs[0];
        runs[0] = runs[1];
        runs[1] = swap;
    }
    size_t n = 0;
    for (size_t i = 0; i < labels.n; i++) {
        if (labels.parent[i] == i && labels.patches[i].n_px >= min_px) {
            labels.patches[n] = labels.patches[i];
            finish_patch(&labels.patches[n++]);
        }
    }
    if (n > 0) {
        qsort(labels.patches, n, sizeof *labels.patches, brighter);
    }
    *ret = (struct trail_patches){labels.patches, n};
    labels.patches = NULL;
done:
    free(runs[0]);
    free(runs[1]);
    free(labels.patches);
    free(labels.parent);
    return status;
}
