/* transmission.c - how much light each frame got, against the best one, without a catalogue.
 * Idea: every star has one brightness, every frame one zero point; both are solved in turn from the
 * logarithms of the fluxes, robustly, until they stand still (ubercalibration without a model of
 * the field: Padmanabhan et al. 2008, ApJ 674, 1217, sec. 2). Stars are identified through the
 * frame with the most of them. Cloud over part of the field only takes away: there the stars that
 * agree with each other, those of the clear part, say how much light the frame got. Holds: frames
 * that cannot be matched are NaN and take no part. */
#include "image/measure_internal.h"

/* Stars of a frame that disagree by more than this, in their errors, have cloud before part of
 * them; with fewer than so many stars a clear part cannot be told. */
static const double PATCHY = 2.0;
enum { PATCHY_STARS = 12 };

struct reading { /* one star in one frame */
    uint32_t star, frame;
    double value, sigma; /* ln(flux / exposure) */
    bool is_out;
};
struct readings {
    struct reading *items;
    size_t n, cap;
};

static bool is_fit_for_photometry(const struct nw_star *s) {
    const uint32_t bad =
        NW_STAR_SATURATED | NW_STAR_BLENDED | NW_STAR_EDGE | NW_STAR_STREAK | NW_STAR_NOT_POINT;
    /* below that the mean of the logarithm is off by 1/(2 * 20^2) = 0.1 % and more */
    return !(s->flags & bad) && s->flux_adu > 20.0 * s->flux_sigma_adu;
}

static enum nw_status add(struct readings *r, uint32_t star, uint32_t frame,
                          const struct nw_star *s, double exposure_s, struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&r->items, &r->cap, r->n + 1, sizeof *r->items, (size_t)1 << 27, err);
    if (status == NW_OK) {
        /* 0.3 % beside the noise: flat field and subpixel errors, which more light does not lower
         */
        r->items[r->n++] = (struct reading){star, frame, log(s->flux_adu / exposure_s),
                                            hypot(s->flux_sigma_adu / s->flux_adu, 0.003), false};
    }
    return status;
}

static enum nw_status add_frame(struct readings *r, const struct nw_measure *reference,
                                const struct nw_measure *m, uint32_t frame, double exposure_s,
                                struct nw_err *err) {
    struct nw_match match = {0};
    if (m != reference) {
        const enum nw_status matched = nw_stars_match(reference, m, &match, err);
        if (matched != NW_OK) {
            return matched == NW_DATA ? NW_OK : matched; /* a frame less */
        }
    }
    enum nw_status status = NW_OK;
    const size_t n = m == reference ? m->n_stars : match.n_pairs;
    for (size_t k = 0; k < n && status == NW_OK; k++) {
        const uint32_t a = m == reference ? (uint32_t)k : match.pairs[k].a;
        const uint32_t b = m == reference ? (uint32_t)k : match.pairs[k].b;
        if (is_fit_for_photometry(&reference->stars[a]) && is_fit_for_photometry(&m->stars[b])) {
            status = add(r, a, frame, &m->stars[b], exposure_s, err);
        }
    }
    nw_match_done(&match);
    return status;
}

static int by_star(const void *a, const void *b) {
    const struct reading *const p = a;
    const struct reading *const q = b;
    return p->star != q->star ? (p->star < q->star ? -1 : 1)
                              : (p->frame > q->frame) - (p->frame < q->frame);
}
static int by_frame(const void *a, const void *b) {
    const struct reading *const p = a;
    const struct reading *const q = b;
    return p->frame != q->frame ? (p->frame < q->frame ? -1 : 1)
                                : (p->star > q->star) - (p->star < q->star);
}

/* Each star's brightness: weighted mean over its frames, zero points taken off; a frame with patchy
 * cloud counts little. A star that is seen once says nothing and is NaN. */
static void solve_stars(const struct readings *r, const double *zero,
                        const struct nw_transmission *result, double *star) {
    for (size_t i = 0; i < r->n;) {
        double sum = 0.0;
        double weight = 0.0;
        size_t count = 0;
        size_t end = i;
        for (; end < r->n && r->items[end].star == r->items[i].star; end++) {
            const struct reading *const x = &r->items[end];
            const double patchy = result[x->frame].patchy;
            const double w = 1.0 / (x->sigma * x->sigma + patchy * patchy);
            if (!x->is_out && isfinite(zero[x->frame])) {
                sum += w * (x->value - zero[x->frame]);
                weight += w;
                count++;
            }
        }
        star[r->items[i].star] = count >= 2 ? sum / weight : NAN;
        i = end;
    }
}

enum kind { VALUE, IN_SIGMAS, SIGMA };

/* What the stars of one frame say of its zero point, as it is or in units of its error. */
static size_t say(const struct reading *items, size_t n, const double *star, double zero,
                  enum kind kind, double *ret) {
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(star[items[i].star])) {
            const double off = items[i].value - star[items[i].star] - zero;
            ret[count++] = kind == VALUE       ? off
                           : kind == IN_SIGMAS ? off / items[i].sigma
                                               : items[i].sigma;
        }
    }
    return count;
}

/* Half the width that holds the middle 68 %: a third of the stars behind cloud shows in it, while
 * a MAD would not see them. */
static double half_width(double *values, size_t n) {
    const double high = nw_stat_quantile(values, n, 0.8413);
    return 0.5 * (high - nw_stat_quantile(values, n, 0.1587));
}

/* Middle of the shortest stretch that holds 40 % of the values (the shorth of Andrews et al. 1972,
 * with a smaller share): stars in a clear part of the field agree, those behind cloud do not.
 * Sorts. *ret_half: half of its length. */
static double densest(double *values, size_t n, double *ret_half) {
    const size_t reach = (size_t)ceil(0.4 * (double)n);
    nw_stat_sort(values, n);
    size_t best = 0;
    for (size_t i = 0; i + reach < n; i++) {
        best = values[i + reach] - values[i] < values[best + reach] - values[best] ? i : best;
    }
    *ret_half = 0.5 * (values[best + reach] - values[best]);
    return 0.5 * (values[best + reach] + values[best]);
}

struct centre {
    double value, sigma;
    size_t n;
};

/* Zero point of a frame with cloud over part of the field, from the part that agrees: biweight
 * (Beaton & Tukey 1974) from the densest stretch on; work holds n values. */
static struct centre clear_part(const struct reading *items, size_t n, const double *star,
                                double *work) {
    double half = 0.0;
    const size_t count = say(items, n, star, 0.0, VALUE, work);
    struct centre c = {.value = densest(work, count, &half)};
    (void)say(items, n, star, 0.0, SIGMA, work);
    /* 40 % of a Gaussian lie within 0.524 sigma of its middle */
    const double common = fmax(half / 0.524, nw_stat_median(work, count));
    for (int round = 0; round < 12; round++) {
        double sum = 0.0;
        double weight = 0.0;
        double spread = 0.0;
        c.n = 0;
        for (size_t i = 0; i < n; i++) {
            const double off = items[i].value - star[items[i].star] - c.value;
            const double s = fmax(items[i].sigma, common);
            const double t = off / (4.685 * s);
            if (isfinite(off) && fabs(t) < 1.0) {
                const double w = (1.0 - t * t) * (1.0 - t * t) / (s * s);
                sum += w * off;
                weight += w;
                spread += w * w * off * off;
                c.n += fabs(off) < 2.0 * s;
            }
        }
        c.value += weight > 0.0 ? sum / weight : 0.0;
        c.sigma = weight > 0.0 ? sqrt(spread) / weight : NAN;
    }
    return c;
}

/* Each frame's zero point: median of what its stars say; where they disagree, what those of the
 * clear part say. work holds as many values. */
static void solve_frames(const struct readings *r, const double *star, double *zero,
                         struct nw_transmission *result, double *work) {
    for (size_t i = 0; i < r->n;) {
        const struct reading *const items = &r->items[i];
        size_t n = 0;
        while (i + n < r->n && items[n].frame == items[0].frame) {
            n++;
        }
        i += n;
        const uint32_t frame = items[0].frame;
        const size_t count = say(items, n, star, 0.0, VALUE, work);
        zero[frame] = NAN;
        if (count < 3) {
            continue;
        }
        struct nw_transmission *const t = &result[frame];
        struct centre c = {.value = nw_stat_median(work, count), .n = count};
        c.sigma = sqrt(NW_PI / 2.0) * half_width(work, count) / sqrt((double)count);
        (void)say(items, n, star, c.value, IN_SIGMAS, work);
        const double excess = half_width(work, count);
        (void)say(items, n, star, c.value, SIGMA, work);
        t->patchy = nw_stat_median(work, count) * sqrt(fmax(excess * excess - 1.0, 0.0));
        if (excess > PATCHY && count >= PATCHY_STARS) {
            c = clear_part(items, n, star, work);
        }
        zero[frame] = c.value;
        t->n_stars = c.n;
        t->sigma = c.sigma;
    }
}

static void iterate(struct readings *r, double *zero, double *star, double *work,
                    struct nw_transmission *result) {
    struct readings by_frames = {.items = r->items + r->n, .n = r->n};
    memcpy(by_frames.items, r->items, r->n * sizeof *r->items);
    qsort(r->items, r->n, sizeof *r->items, by_star);
    qsort(by_frames.items, by_frames.n, sizeof *by_frames.items, by_frame);
    for (int round = 0; round < 12; round++) {
        solve_stars(r, zero, result, star);
        solve_frames(&by_frames, star, zero, result, work);
        for (size_t i = 0; i < r->n; i++) { /* variable stars, neighbours: five sigmas */
            struct reading *const x = &r->items[i];
            const double off = x->value - zero[x->frame] - star[x->star];
            const double reach = 5.0 * hypot(x->sigma, result[x->frame].patchy);
            x->is_out = isfinite(off) && fabs(off) > reach;
        }
    }
}

static void first_guess(const struct readings *r, size_t n_frames, double *zero,
                        struct nw_transmission *result) {
    for (size_t f = 0; f < n_frames; f++) {
        zero[f] = NAN;
        result[f].patchy = 0.0;
    }
    for (size_t i = 0; i < r->n; i++) {
        zero[r->items[i].frame] = 0.0;
    }
}

static void scale_to_best(struct nw_transmission *result, const double *zero, size_t n_frames) {
    double best = -INFINITY;
    for (size_t f = 0; f < n_frames; f++) {
        best = isfinite(zero[f]) ? fmax(best, zero[f]) : best;
    }
    for (size_t f = 0; f < n_frames; f++) {
        const bool is_known = isfinite(zero[f]) && result[f].n_stars > 0;
        result[f].value = is_known ? exp(zero[f] - best) : NAN;
        result[f].sigma = is_known ? result[f].sigma * result[f].value : NAN;
        result[f].patchy = is_known ? result[f].patchy : NAN;
    }
}

enum nw_status nw_transmission_solve(const struct nw_measure *const *frames,
                                     const double *exposure_s, size_t n_frames,
                                     struct nw_transmission *result, struct nw_err *err) {
    if (n_frames == 0) {
        return nw_err_set(err, NW_DOMAIN, "no frames");
    }
    size_t reference = 0;
    size_t n_total = 0;
    for (size_t f = 0; f < n_frames; f++) {
        result[f] = (struct nw_transmission){NAN, NAN, 0, NAN};
        reference = frames[f]->n_used > frames[reference]->n_used ? f : reference;
        n_total += frames[f]->n_stars;
    }
    struct readings r = {0};
    double *work = NULL;
    enum nw_status status = NW_OK;
    for (size_t f = 0; f < n_frames && status == NW_OK; f++) {
        const double exposure = exposure_s && exposure_s[f] > 0.0 ? exposure_s[f] : 1.0;
        status = add_frame(&r, frames[reference], frames[f], (uint32_t)f, exposure, err);
    }
    if (status == NW_OK && r.n > 0) {
        /* room for the second order of the readings behind the first */
        status = nw_grow((void **)&r.items, &r.cap, 2 * r.n, sizeof *r.items, (size_t)1 << 28, err);
    }
    const size_t n_stars = frames[reference]->n_stars;
    work = nw_calloc(n_frames + n_stars + n_total, sizeof *work);
    if (status == NW_OK && !work) {
        status = nw_err_set(err, NW_NOMEM, "%zu stars in %zu frames", n_stars, n_frames);
    }
    if (status == NW_OK && r.n > 0) {
        double *const zero = work;
        double *const star = work + n_frames;
        first_guess(&r, n_frames, zero, result);
        iterate(&r, zero, star, star + n_stars, result);
        scale_to_best(result, zero, n_frames);
    }
    free(work);
    free(r.items);
    return status;
}
