/* peaks.c - where the stars are: connected pixels above the threshold, and the maxima in them.
 * Idea: runs of pixels are joined to components by union-find, row by row (Rosenfeld & Pfaltz
 * 1966); each component's maxima are its candidates; a fainter one stands for itself only when the
 * valley towards every brighter one nearby is deep enough (saddle contrast, as Bertin & Arnouts
 * 1996, A&AS 117, 393, sec. 4 ask of their branches). Holds: equal neighbours have one maximum, the
 * first in the order of rows (saturated flat tops). */
#include "image/measure_internal.h"

#define MAX_RUNS ((size_t)1 << 26)
#define MAX_PEAKS ((size_t)1 << 20)

struct run {
    int32_t y, x0, x1; /* x0 <= x < x1 */
    uint32_t parent;
};
struct run_list {
    struct run *runs;
    size_t n, cap;
};
/* Sums over the pixels of one component: its size and shape. */
struct component {
    double n, x, y, xx, xy, yy;
};

static uint32_t root_of(struct run *runs, uint32_t i) {
    while (runs[i].parent != i) {
        runs[i].parent = runs[runs[i].parent].parent;
        i = runs[i].parent;
    }
    return i;
}

static enum nw_status collect_runs(const float *filtered, size_t width, size_t height,
                                   float threshold, struct run_list *list, struct nw_err *err) {
    for (size_t y = 0; y < height; y++) {
        const float *const row = filtered + y * width;
        for (size_t x = 0; x < width; x++) {
            if (!(row[x] > threshold)) {
                continue;
            }
            const enum nw_status status = nw_grow((void **)&list->runs, &list->cap, list->n + 1,
                                                  sizeof *list->runs, MAX_RUNS, err);
            if (status != NW_OK) {
                return status;
            }
            struct run *const run = &list->runs[list->n];
            *run = (struct run){(int32_t)y, (int32_t)x, (int32_t)x, (uint32_t)list->n};
            while (x < width && row[x] > threshold) {
                x++;
            }
            run->x1 = (int32_t)x;
            list->n++;
        }
    }
    return NW_OK;
}

/* Joins the runs of neighbouring rows that touch, corners included. */
static void join_runs(struct run_list *list) {
    size_t above = 0;
    for (size_t i = 0; i < list->n; i++) {
        struct run *const run = &list->runs[i];
        while (above < i &&
               (list->runs[above].y < run->y - 1 ||
                (list->runs[above].y == run->y - 1 && list->runs[above].x1 < run->x0))) {
            above++;
        }
        for (size_t k = above; k < i && list->runs[k].y == run->y - 1; k++) {
            if (list->runs[k].x0 > run->x1) {
                break;
            }
            const uint32_t a = root_of(list->runs, (uint32_t)k);
            const uint32_t b = root_of(list->runs, (uint32_t)i);
            list->runs[a > b ? a : b].parent = a > b ? b : a;
        }
    }
}

static void sum_components(struct run_list *list, struct component *sums) {
    for (size_t i = 0; i < list->n; i++) {
        const struct run *const run = &list->runs[i];
        struct component *const c = &sums[root_of(list->runs, (uint32_t)i)];
        for (int32_t x = run->x0; x < run->x1; x++) {
            c->n += 1.0;
            c->x += x;
            c->y += run->y;
            c->xx += (double)x * x;
            c->xy += (double)x * run->y;
            c->yy += (double)run->y * run->y;
        }
    }
}

/* Far longer than wide, and long: axis ratio over 4 and length over 8 kernel widths. */
static bool component_is_streak(const struct component *c, double kernel_fwhm_px) {
    const double mx = c->x / c->n;
    const double my = c->y / c->n;
    const double xx = c->xx / c->n - mx * mx + 1.0 / 12.0;
    const double yy = c->yy / c->n - my * my + 1.0 / 12.0;
    const double xy = c->xy / c->n - mx * my;
    const double mean = 0.5 * (xx + yy);
    const double root = hypot(0.5 * (xx - yy), xy);
    const double major = sqrt(mean + root);
    const double minor = sqrt(fmax(mean - root, 1.0 / 12.0));
    return major > 4.0 * minor && sqrt(12.0) * major > 8.0 * kernel_fwhm_px;
}

static bool is_maximum(const float *f, size_t width, size_t height, int32_t x, int32_t y) {
    const float here = f[(size_t)y * width + (size_t)x];
    for (int32_t dy = -1; dy <= 1; dy++) {
        for (int32_t dx = -1; dx <= 1; dx++) {
            const int32_t nx = x + dx;
            const int32_t ny = y + dy;
            if ((dx == 0 && dy == 0) || nx < 0 || ny < 0 || nx >= (int32_t)width ||
                ny >= (int32_t)height) {
                continue;
            }
            const float there = f[(size_t)ny * width + (size_t)nx];
            const bool is_before = dy < 0 || (dy == 0 && dx < 0);
            if (there > here || (is_before && there == here)) {
                return false;
            }
        }
    }
    return true;
}

struct candidate {
    struct peak peak;
    uint32_t component;
};
struct candidate_list {
    struct candidate *items;
    size_t n, cap;
};

static enum nw_status collect_maxima(const float *f, const struct field *field,
                                     struct run_list *list, const struct component *sums,
                                     double kernel_fwhm_px, struct candidate_list *ret,
                                     struct nw_err *err) {
    const size_t width = field->image.width_px;
    for (size_t i = 0; i < list->n; i++) {
        const struct run *const run = &list->runs[i];
        for (int32_t x = run->x0; x < run->x1; x++) {
            if (!is_maximum(f, width, field->image.height_px, x, run->y)) {
                continue;
            }
            const enum nw_status status = nw_grow((void **)&ret->items, &ret->cap, ret->n + 1,
                                                  sizeof *ret->items, MAX_PEAKS, err);
            if (status != NW_OK) {
                return status;
            }
            const uint32_t root = root_of(list->runs, (uint32_t)i);
            ret->items[ret->n++] = (struct candidate){
                .peak = {.x = x,
                         .y = run->y,
                         .snr = f[(size_t)run->y * width + (size_t)x],
                         .is_streak = component_is_streak(&sums[root], kernel_fwhm_px)},
                .component = root};
        }
    }
    return NW_OK;
}

static int by_component_then_snr(const void *a, const void *b) {
    const struct candidate *const p = a;
    const struct candidate *const q = b;
    if (p->component != q->component) {
        return p->component < q->component ? -1 : 1;
    }
    if (p->peak.snr != q->peak.snr) {
        return p->peak.snr > q->peak.snr ? -1 : 1;
    }
    return p->peak.y != q->peak.y ? (p->peak.y < q->peak.y ? -1 : 1)
                                  : (p->peak.x > q->peak.x) - (p->peak.x < q->peak.x);
}

static int by_snr(const void *a, const void *b) {
    const struct peak *const p = a;
    const struct peak *const q = b;
    if (p->snr != q->snr) {
        return p->snr > q->snr ? -1 : 1;
    }
    return p->y != q->y ? (p->y < q->y ? -1 : 1) : (p->x > q->x) - (p->x < q->x);
}

/* Lowest value on the straight line between two peaks. */
static double valley(const float *f, size_t width, const struct peak *a, const struct peak *b) {
    const int32_t dx = b->x - a->x;
    const int32_t dy = b->y - a->y;
    const int32_t n = abs(dx) > abs(dy) ? abs(dx) : abs(dy);
    double lowest = (double)b->snr;
    for (int32_t i = 1; i < n; i++) {
        const int32_t x = a->x + (int32_t)lround((double)dx * i / n);
        const int32_t y = a->y + (int32_t)lround((double)dy * i / n);
        lowest = fmin(lowest, (double)f[(size_t)y * width + (size_t)x]);
    }
    return lowest;
}

/* Deep enough: five noise sigmas (photon noise of the brighter one's wing included as sqrt of the
 * significance, common practice, no source) and 3 % of the valley's own height. */
static bool stands_alone(const float *f, size_t width, const struct peak *bright,
                         const struct peak *faint) {
    const double saddle = valley(f, width, bright, faint);
    return (double)faint->snr - saddle > 5.0 + 0.03 * fmax(saddle, 0.0);
}

/* Candidates come brightest first within a component; returns how many stay, packed in front. */
static size_t keep_separate(const float *f, size_t width, double reach_px, struct candidate *c,
                            size_t n) {
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        bool stays = !(c[i].peak.is_streak && kept > 0); /* one entry for a trail */
        for (size_t k = 0; k < kept && stays; k++) {
            const double distance =
                hypot((double)(c[k].peak.x - c[i].peak.x), (double)(c[k].peak.y - c[i].peak.y));
            stays = distance > reach_px || stands_alone(f, width, &c[k].peak, &c[i].peak);
        }
        if (stays) {
            c[kept++] = c[i];
        }
    }
    return kept;
}

static enum nw_status separate(const float *f, size_t width, double kernel_fwhm_px,
                               struct candidate_list *list, struct peak_list *ret,
                               struct nw_err *err) {
    qsort(list->items, list->n, sizeof *list->items, by_component_then_snr);
    for (size_t i = 0; i < list->n;) {
        size_t end = i + 1;
        while (end < list->n && list->items[end].component == list->items[i].component) {
            end++;
        }
        const double reach_px = 20.0 * kernel_fwhm_px;
        const size_t kept = keep_separate(f, width, reach_px, list->items + i, end - i);
        const enum nw_status status = nw_grow((void **)&ret->peaks, &ret->cap, ret->n + kept,
                                              sizeof *ret->peaks, MAX_PEAKS, err);
        if (status != NW_OK) {
            return status;
        }
        for (size_t k = 0; k < kept; k++) {
            ret->peaks[ret->n++] = list->items[i + k].peak;
        }
        i = end;
    }
    return NW_OK;
}

static float value_at(const struct field *field, int32_t x, int32_t y, float *ret_noise) {
    if (x < 0 || y < 0 || x >= (int32_t)field->image.width_px ||
        y >= (int32_t)field->image.height_px) {
        return NAN;
    }
    float sky = 0.0F;
    background_span(field->background, (size_t)x, 1, (size_t)y, &sky, ret_noise);
    float value = 0.0F;
    return *nw_image_span(&field->image, (size_t)x, 1, (size_t)y, &value) - sky;
}

bool peak_is_sharp(const struct field *field, int32_t x, int32_t y, double fwhm_px) {
    /* the filtered maximum may lie beside the hot pixel: take the highest pixel around it */
    float noise = 0.0F;
    float top = value_at(field, x, y, &noise);
    int32_t tx = x;
    int32_t ty = y;
    for (int32_t dy = -1; dy <= 1; dy++) {
        for (int32_t dx = -1; dx <= 1; dx++) {
            const float value = value_at(field, x + dx, y + dy, &noise);
            if (value > top) {
                top = value;
                tx = x + dx;
                ty = y + dy;
            }
        }
    }
    double sum = 0.0;
    int n = 0;
    static const int32_t STEP[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
    for (int i = 0; i < 4; i++) {
        const double value = (double)value_at(field, tx + STEP[i][0], ty + STEP[i][1], &noise);
        if (isfinite(value)) {
            sum += value;
            n++;
        }
    }
    if (n == 0 || !(top > 0.0F)) {
        return false;
    }
    /* A Gaussian star centred on a pixel has the lowest ratio of neighbour to top; half of that,
     * with three sigmas of the neighbours' mean, is out of reach for a star. */
    const double sigma = fmax(fwhm_px, 1.3) / NW_FWHM_PER_SIGMA;
    const double half = field->pixel_width / 2.0;
    const double own = erf(half / (sigma * sqrt(2.0)));
    const double side =
        0.5 * (erf((1.0 + half) / (sigma * sqrt(2.0))) - erf((1.0 - half) / (sigma * sqrt(2.0))));
    return sum / n + 3.0 * (double)noise / sqrt((double)n) < 0.5 * side / own * (double)top;
}

enum nw_status peaks_find(const float *filtered, const struct field *field, double threshold,
                          double kernel_fwhm_px, struct peak_list *ret, struct nw_err *err) {
    const size_t width = field->image.width_px;
    struct run_list runs = {0};
    struct component *sums = NULL;
    struct candidate_list candidates = {0};
    struct peak_list found = {0};
    enum nw_status status =
        collect_runs(filtered, width, field->image.height_px, (float)threshold, &runs, err);
    if (status != NW_OK) {
        goto done;
    }
    join_runs(&runs);
    sums = nw_calloc(runs.n, sizeof *sums);
    if (!sums) {
        status = nw_err_set(err, NW_NOMEM, "%zu components", runs.n);
        goto done;
    }
    sum_components(&runs, sums);
    status = collect_maxima(filtered, field, &runs, sums, kernel_fwhm_px, &candidates, err);
    if (status == NW_OK && candidates.n > 0) {
        status = separate(filtered, width, kernel_fwhm_px, &candidates, &found, err);
    }
    if (status == NW_OK) {
        if (found.n > 0) {
            qsort(found.peaks, found.n, sizeof *found.peaks, by_snr);
        }
        *ret = found;
        found = (struct peak_list){0};
    }
done:
    free(runs.runs);
    free(sums);
    free(candidates.items);
    free(found.peaks);
    return status;
}
