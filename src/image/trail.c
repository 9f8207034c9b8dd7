/* trail.c - parallel trails and their wobble.
 * Idea: patches that are long and thin agree on a direction; each is then cut column by column
 * along the frame axis nearest to that direction (trail_cut.c).
 * Holds: step 0 of every trail is the same moment, to half a pixel of drift. */
#include "image/trail_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define THRESHOLD_SIGMA 5.0
#define SLANT_RAD (1.0 * NW_RAD_PER_DEG) /* of one trail against all */
#define SATURATED_AT 0.9                 /* of the level: response bends before it ends */
#define FAINT_SNR 6.0
enum { PATCH_PX = 12, STEPS_MIN = 40, TRAILS_DEFAULT = 24, BRIGHT = 60 };

/* A trail as a line b = b_mid + slope (a - a_mid). */
struct line {
    double a_mid, b_mid, slope, a0, a1; /* a0, a1: ends at half of the light */
};

static double line_at(const struct line *line, double a) {
    return line->b_mid + line->slope * (a - line->a_mid);
}

static bool is_long(const struct trail_patch *p) {
    return p->length_px > 20.0 && p->length_px > 4.0 * p->width_px;
}

static double turn_between(double a_rad, double b_rad) {
    return fabs(remainder(a_rad - b_rad, NW_PI));
}

/* The direction that most of the bright long patches share; NaN: fewer than 3 do. */
static double common_angle(const struct trail_patches *patches) {
    double best_x = 0.0;
    double best_y = 0.0;
    size_t best_n = 2;
    const size_t n = patches->n < BRIGHT ? patches->n : BRIGHT;
    for (size_t i = 0; i < n; i++) {
        double x = 0.0;
        double y = 0.0;
        size_t agree = 0;
        for (size_t j = 0; j < n && is_long(&patches->items[i]); j++) {
            const struct trail_patch *p = &patches->items[j];
            if (is_long(p) && turn_between(p->angle_rad, patches->items[i].angle_rad) < SLANT_RAD) {
                const double weight = p->length_px * p->length_px;
                x += weight * cos(2.0 * p->angle_rad);
                y += weight * sin(2.0 * p->angle_rad);
                agree++;
            }
        }
        if (agree > best_n) {
            best_n = agree;
            best_x = x;
            best_y = y;
        }
    }
    return best_n > 2 ? 0.5 * atan2(best_y, best_x) : NAN;
}

static double cut_light(const struct trail_plane *plane, const struct line *line, double a,
                        double half_px) {
    const double middle = line_at(line, a);
    const double low = ceil(middle - half_px);
    const double high = floor(middle + half_px);
    if (!(a >= 0.0) || !(a <= (double)plane->size_a - 1.0) || !(low >= 0.0) ||
        !(high <= (double)plane->size_b - 1.0)) {
        return NAN;
    }
    double sum = 0.0;
    for (size_t b = (size_t)low; b <= (size_t)high; b++) {
        sum += trail_at(plane, (size_t)a, b);
    }
    return sum;
}

/* Walks outward until the light of a cut stays below half for 3 cuts; NaN at the image's edge. */
static double end_of(const struct trail_plane *plane, const struct line *line, double full,
                     double half_px, double direction) {
    double last = full;
    int below = 0;
    double end = NAN;
    for (double a = round(line->a_mid) + direction;; a += direction) {
        const double light = cut_light(plane, line, a, half_px);
        if (!isfinite(light)) {
            return NAN;
        }
        if (light < 0.5 * full) {
            if (below++ == 0) {
                end = a - direction * (0.5 * full - light) / fmax(last - light, 1e-9);
            }
            if (below == 3) {
                return end;
            }
        } else {
            below = 0;
        }
        last = light;
    }
}

/* Line and ends of a patch. false: it reaches past the edge. */
static bool line_of(const struct trail_plane *plane, const struct trail_patch *p,
                    struct line *ret) {
    const double saa = plane->swapped ? p->syy : p->sxx;
    *ret = (struct line){.a_mid = plane->swapped ? p->sy : p->sx,
                         .b_mid = plane->swapped ? p->sx : p->sy,
                         .slope = p->sxy / saa};
    enum { N = 21 };
    double light[N];
    const double half_px = fmin(1.0 + p->width_px, TRAIL_HALF_WINDOW_MAX);
    for (int i = 0; i < N; i++) {
        light[i] =
            cut_light(plane, ret, round(ret->a_mid + (0.02 * i - 0.2) * p->length_px), half_px);
        if (!isfinite(light[i])) {
            return false;
        }
    }
    const double full = nw_stat_median(light, N);
    ret->a0 = end_of(plane, ret, full, half_px, -1.0);
    ret->a1 = end_of(plane, ret, full, half_px, 1.0);
    return isfinite(ret->a0) && isfinite(ret->a1);
}

/* Another trail beside it, in reach of the cuts. */
static bool has_neighbour(const struct trail_patches *patches, size_t i, double angle_rad,
                          double reach_px) {
    const struct trail_patch *p = &patches->items[i];
    const double c = cos(angle_rad);
    const double s = sin(angle_rad);
    for (size_t j = 0; j < patches->n; j++) {
        const struct trail_patch *q = &patches->items[j];
        const double dx = q->sx - p->sx;
        const double dy = q->sy - p->sy;
        const bool is_beside = fabs(dy * c - dx * s) < reach_px + 0.5 * q->width_px;
        const bool is_along = fabs(dx * c + dy * s) < 0.5 * (p->length_px + q->length_px);
        if (j != i && is_beside && is_along && q->light_adu > 0.003 * p->light_adu) {
            return true;
        }
    }
    return false;
}

/* What the passes over the patches share. */
struct job {
    const struct nw_trail_opts *opts;
    const struct trail_patches *patches;
    struct trail_plane plane;
    struct line *lines; /* of each patch; a0 NaN: not to be measured */
    struct trail_stack stack;
    double *work;     /* 3 * steps */
    double median_px; /* length along a */
    double angle_rad;
};

/* Chooses the patches worth a measurement and counts the others. */
static size_t choose(struct job *job, struct nw_trails *trails, double *lengths) {
    size_t n = 0;
    for (size_t i = 0; i < job->patches->n; i++) {
        const struct trail_patch *p = &job->patches->items[i];
        struct line *line = &job->lines[i];
        line->a0 = NAN;
        if (!is_long(p)) {
            continue;
        }
        trails->n_seen++;
        if (turn_between(p->angle_rad, job->angle_rad) > SLANT_RAD) {
            trails->n_slanted++;
        } else if (p->x0 == 0 || p->y0 == 0 || p->x1 == job->plane.width_px ||
                   p->y1 == job->plane.height_px || !line_of(&job->plane, p, line)) {
            trails->n_edge++;
            line->a0 = NAN;
        } else {
            lengths[n++] = line->a1 - line->a0;
        }
    }
    return n;
}

/* DATA when the trails are not what an exposure of a standing mount gives. */
static enum nw_status judge_length(const struct job *job, const struct nw_trails *trails, size_t n,
                                   struct nw_err *err) {
    const double expected = job->opts->expected_length_px;
    if (n == 0) {
        return nw_err_set(err, NW_DATA,
                          "no trail lies whole in the frame: of %zu seen %zu reach its edge, %zu "
                          "lie aslant",
                          trails->n_seen, trails->n_edge, trails->n_slanted);
    }
    if (expected > 0.0 && fabs(trails->length_px - expected) > 0.03 * expected + 3.0) {
        return nw_err_set(err, NW_DATA,
                          "trails are %.1f px long where a standing mount gives %.1f px: the drive "
                          "ran, or exposure, declination or scale are not the frame's",
                          trails->length_px, expected);
    }
    return NW_OK;
}

static void count_steps(const struct job *job, double sigma_px, struct nw_trails *trails) {
    const double margin = ceil(3.0 * sigma_px + 1.0);
    const double n = floor(job->median_px - 2.0 * margin);
    trails->n_steps = n > 0.0 ? (size_t)n : 0;
}

enum verdict { GOOD, EDGE, BLENDED, FAINT };

/* Measures one trail; on GOOD `ret` owns a new series. */
static enum verdict measure(struct job *job, size_t i, double sigma_px, size_t n_steps,
                            struct nw_trail *ret) {
    const struct line *line = &job->lines[i];
    const double cosine = 1.0 / hypot(1.0, line->slope);
    double *start = job->work;
    struct trail_cuts cuts = {.plane = &job->plane,
                              .sigma_px = sigma_px / cosine,
                              .gain_e_per_adu = job->opts->gain_e_per_adu,
                              .n = n_steps,
                              .centre = job->work + n_steps};
    cuts.first_a = round(0.5 * (line->a0 + line->a1) - 0.5 * (double)(n_steps - 1));
    if (cuts.first_a < 0.0 || cuts.first_a + (double)n_steps > (double)job->plane.size_a) {
        return EDGE;
    }
    for (size_t k = 0; k < n_steps; k++) {
        start[k] = line_at(line, cuts.first_a + (double)k);
    }
    if (!trail_cuts_settle(&cuts, start)) {
        return FAINT;
    }
    const double noise_px = sqrt(cuts.noise2);
    if (!(cuts.sigma_px / noise_px > FAINT_SNR)) {
        return FAINT;
    }
    double *wobble = nw_calloc(n_steps, sizeof *wobble);
    if (!wobble) {
        return FAINT;
    }
    trail_stack_add(&job->stack, &cuts, cosine);
    memcpy(wobble, cuts.centre, n_steps * sizeof *wobble);
    trail_straighten(wobble, n_steps);
    *ret = (struct nw_trail){.x_px = job->plane.swapped ? line->b_mid : line->a_mid,
                             .y_px = job->plane.swapped ? line->a_mid : line->b_mid,
                             .wobble_px = wobble,
                             .noise_px = noise_px * cosine,
                             .width_sigma_px = cuts.sigma_px * cosine,
                             .snr = cuts.sigma_px / noise_px};
    ret->n_mended = trail_mend(wobble, n_steps, noise_px, job->work);
    trail_straighten(wobble, n_steps);
    for (size_t k = 0; k < n_steps; k++) {
        wobble[k] *= cosine;
    }
    return GOOD;
}

static void measure_all(struct job *job, double sigma_px, struct nw_trails *trails) {
    const size_t max = job->opts->max_trails ? job->opts->max_trails : TRAILS_DEFAULT;
    const double saturated = SATURATED_AT * job->opts->saturation_adu;
    for (size_t i = 0; i < job->patches->n && trails->n < max; i++) {
        const struct trail_patch *p = &job->patches->items[i];
        const struct line *line = &job->lines[i];
        if (!isfinite(line->a0)) {
            continue;
        }
        if (fabs(line->a1 - line->a0 - job->median_px) > fmax(2.5, 0.02 * job->median_px)) {
            trails->n_odd_length++;
        } else if (saturated > 0.0 && p->peak_adu >= saturated) {
            trails->n_saturated++;
        } else if (has_neighbour(job->patches, i, job->angle_rad, 8.0 * sigma_px)) {
            trails->n_blended++;
        } else {
            const enum verdict verdict =
                measure(job, i, sigma_px, trails->n_steps, &trails->items[trails->n]);
            trails->n += verdict == GOOD;
            trails->n_edge += verdict == EDGE;
            trails->n_faint += verdict == FAINT;
        }
    }
}

static double rms_of(const struct nw_trail *trail, size_t n) {
    double sum2 = 0.0;
    for (size_t k = 0; k < n; k++) {
        sum2 += trail->wobble_px[k] * trail->wobble_px[k];
    }
    return sqrt(fmax(0.0, sum2 / (double)n - trail->noise_px * trail->noise_px));
}

/* Two stars in one trail: wider than the others, or thrown from one to the other; all stars of a
 * frame wobble alike to a fifth or so. */
static void drop_odd(struct nw_trails *trails, double *work) {
    for (size_t i = 0; i < trails->n; i++) {
        work[i] = trails->items[i].width_sigma_px;
    }
    trails->width_sigma_px = nw_stat_median(work, trails->n);
    for (size_t i = 0; i < trails->n; i++) {
        work[i] = rms_of(&trails->items[i], trails->n_steps);
    }
    const double rms_px = nw_stat_median(work, trails->n);
    size_t kept = 0;
    for (size_t i = 0; i < trails->n; i++) {
        const struct nw_trail *trail = &trails->items[i];
        if (trail->width_sigma_px > 1.3 * trails->width_sigma_px ||
            trail->n_mended > trails->n_steps / 25 ||
            rms_of(trail, trails->n_steps) > 2.0 * rms_px + trail->noise_px) {
            free(trail->wobble_px);
            trails->n_blended++;
        } else {
            trails->items[kept++] = *trail;
        }
    }
    trails->n = kept;
}

/* Core width to begin with: from the thin axis of the long patches (at 5 sigma, so too wide: the
 * weights settle on the true one). */
static double first_width(const struct job *job, double *work) {
    size_t n = 0;
    for (size_t i = 0; i < job->patches->n; i++) {
        if (isfinite(job->lines[i].a0)) {
            work[n++] = job->patches->items[i].width_px / sqrt(12.0);
        }
    }
    return fmax(0.7, nw_stat_median(work, n));
}

static enum nw_status no_trails(const struct trail_patches *patches, struct nw_err *err) {
    double longest = 0.0;
    double width = NAN;
    for (size_t i = 0; i < patches->n && i < BRIGHT; i++) {
        if (patches->items[i].length_px > longest) {
            longest = patches->items[i].length_px;
            width = patches->items[i].width_px;
        }
    }
    if (patches->n == 0) {
        return nw_err_set(err, NW_DATA, "no trails: nothing in the frame is brighter than the sky");
    }
    return nw_err_set(err, NW_DATA,
                      "no trails: of %zu stars the longest is %.1f px long and %.1f px wide, and "
                      "fewer than 3 long ones agree on a direction; the drive ran, or few stars "
                      "are bright",
                      patches->n, longest, width);
}

static enum nw_status measure_job(struct job *job, double *spare, struct nw_trails *trails,
                                  struct nw_err *err) {
    const size_t n = choose(job, trails, spare);
    const double cosine = fmax(fabs(cos(job->angle_rad)), fabs(sin(job->angle_rad)));
    trails->step_px = 1.0 / cosine;
    job->median_px = n ? nw_stat_median(spare, n) : NAN;
    trails->length_px = job->median_px / cosine;
    const enum nw_status status = judge_length(job, trails, n, err);
    if (status != NW_OK) {
        return status;
    }
    const double sigma_px = first_width(job, spare);
    count_steps(job, sigma_px / cosine, trails);
    if (trails->n_steps < STEPS_MIN) {
        return nw_err_set(err, NW_DATA,
                          "trails of %.1f px are too short: %zu steps without their ends where "
                          "%d are needed; expose longer",
                          trails->length_px, trails->n_steps, STEPS_MIN);
    }
    job->work = nw_calloc(3 * trails->n_steps, sizeof *job->work);
    if (!job->work) {
        return nw_err_set(err, NW_NOMEM, "%zu steps", trails->n_steps);
    }
    job->stack.bin_px = 5.0 * sigma_px / TRAIL_BINS;
    measure_all(job, sigma_px, trails);
    if (trails->n == 0) {
        return nw_err_set(err, NW_DATA,
                          "no trail can be used: of %zu seen %zu are saturated, %zu blended, %zu "
                          "faint, %zu of another length, %zu at the edge",
                          trails->n_seen, trails->n_saturated, trails->n_blended, trails->n_faint,
                          trails->n_odd_length, trails->n_edge);
    }
    drop_odd(trails, spare);
    if (trails->n == 0) {
        return nw_err_set(err, NW_DATA,
                          "every trail is hit by others on its way: no star stands "
                          "alone");
    }
    trail_stack_fit(&job->stack, trails->width_sigma_px, &trails->profile);
    return NW_OK;
}

static void turn_plane(struct trail_plane *plane, double angle_rad) {
    plane->swapped = fabs(sin(angle_rad)) > fabs(cos(angle_rad));
    plane->stride_a = plane->swapped ? plane->width_px : 1;
    plane->stride_b = plane->swapped ? 1 : plane->width_px;
    plane->size_a = plane->swapped ? plane->height_px : plane->width_px;
    plane->size_b = plane->swapped ? plane->width_px : plane->height_px;
}

enum nw_status nw_trails_measure(struct nw_image_view image, const struct nw_trail_opts *opts,
                                 struct nw_trails *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    const struct nw_trail_opts defaults = {.expected_length_px = NAN};
    struct trail_patches patches = {0};
    struct nw_trails trails = {0};
    double *spare = NULL;
    struct job job = {.opts = opts ? opts : &defaults, .patches = &patches};
    if (image.width_px < (size_t)2 * STEPS_MIN || image.height_px < 32) {
        return nw_err_set(err, NW_DOMAIN, "image of %zu x %zu px is too small for trails",
                          image.width_px, image.height_px);
    }
    status = trail_plane_init(image, &job.plane, err);
    if (status != NW_OK) {
        goto done;
    }
    const double threshold_adu = THRESHOLD_SIGMA * job.plane.noise_adu;
    status = trail_patches_find(&job.plane, threshold_adu, PATCH_PX, &patches, err);
    if (status != NW_OK) {
        goto done;
    }
    const size_t max = job.opts->max_trails ? job.opts->max_trails : TRAILS_DEFAULT;
    job.lines = nw_calloc(patches.n + 1, sizeof *job.lines);
    spare = nw_calloc(patches.n + max, sizeof *spare);
    trails.items = nw_calloc(max, sizeof *trails.items);
    if (!job.lines || !spare || !trails.items) {
        status = nw_err_set(err, NW_NOMEM, "%zu patches of light", patches.n);
        goto done;
    }
    job.angle_rad = common_angle(&patches);
    if (!isfinite(job.angle_rad)) {
        status = no_trails(&patches, err);
        goto done;
    }
    trails.angle_rad = job.angle_rad;
    turn_plane(&job.plane, job.angle_rad);
    status = measure_job(&job, spare, &trails, err);
    if (status != NW_OK) {
        goto done;
    }
    *ret = trails;
    trails = (struct nw_trails){0};
done:
    nw_trails_done(&trails);
    free(spare);
    free(job.lines);
    free(job.work);
    free(job.plane.px);
    free(patches.items);
    return status;
}

void nw_trails_done(struct nw_trails *trails) {
    if (trails) {
        for (size_t i = 0; i < trails->n; i++) {
            free(trails->items[i].wobble_px);
        }
        free(trails->items);
        *trails = (struct nw_trails){0};
    }
}
