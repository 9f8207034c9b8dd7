/* guess.c - how wide the stars are, before any is measured: the first look at the brightest peaks.
 * Idea: the area above half of the top (window_half_area_fwhm), a weighted median over peaks that
 * are not hits. Holds: some width is always given; what it rests on shows in the fits. */
#include "image/measure_internal.h"

enum { N_GUESS = 200, GUESS_ENOUGH = 5 };
static const double NARROW_PX = 1.7, USUAL_PX = 3.0;
static const float GUESS_SNR = 15.0F;

struct guess {
    double width_px, weight;
};

static int by_width(const void *a, const void *b) {
    const double p = ((const struct guess *)a)->width_px;
    const double q = ((const struct guess *)b)->width_px;
    return (p > q) - (p < q);
}

/* Width below which half of the weight lies. */
static double weighted_median(struct guess *list, size_t n) {
    double total = 0.0;
    for (size_t i = 0; i < n; i++) {
        total += list[i].weight;
    }
    qsort(list, n, sizeof *list, by_width);
    double below = 0.0;
    size_t i = 0;
    while (i + 1 < n && below + list[i].weight < 0.5 * total) {
        below += list[i++].weight;
    }
    return list[i].width_px;
}

/* What is left about a dropped hit is mostly the rest of it. */
static bool has_hole(const struct window *w) {
    enum { REACH = 3 };
    const int mid = w->side / 2;
    for (int j = mid - REACH; j <= mid + REACH; j++) {
        for (int i = mid - REACH; i <= mid + REACH; i++) {
            if (!isfinite(w->px[(size_t)j * (size_t)w->side + (size_t)i])) {
                return true;
            }
        }
    }
    return false;
}

struct guess_job {
    const struct field *field;
    const struct peak *peaks;
    double width_px[N_GUESS]; /* NaN: no star, or one that is not whole */
};

static void guess_width(void *user, size_t i) {
    struct guess_job *const job = user;
    struct peak here = job->peaks[i];
    struct window w;
    job->width_px[i] = (double)NAN;
    if (here.is_streak || peak_is_hit(job->field, &here, 1.5, 5.0)) {
        return;
    }
    window_cut(job->field, job->peaks[i].x, job->peaks[i].y, 20, &w);
    if (w.n_saturated == 0 && w.n_lost == 0 &&
        !(window_drop_hits(&w, job->field, 1.5) > 0 && has_hole(&w))) {
        job->width_px[i] = window_half_area_fwhm(&w);
    }
}

/* Weighted by significance, at most ten times the middle one's: a few bright stars prevail over
 * many particle hits, but one galaxy does not prevail over the stars. */
double seeing_guess(const struct field *field, const struct peak_list *peaks) {
    struct guess list[N_GUESS];
    double snr[N_GUESS];
    size_t n = 0;
    size_t n_bright = 0;
    bool is_enough = false;
    for (size_t first = 0; first < peaks->n && !is_enough; first += N_GUESS) {
        struct guess_job job = {.field = field, .peaks = peaks->peaks + first};
        const size_t left = peaks->n - first;
        const size_t n_now = left < N_GUESS ? left : N_GUESS;
        (void)nw_parallel_for(n_now, field->n_threads, guess_width, &job, NULL);
        for (size_t i = 0; i < n_now && !is_enough; i++) {
            const struct peak *const peak = &job.peaks[i];
            /* what is fainter may be hot pixels that cannot be told yet */
            is_enough = n == N_GUESS || (n >= GUESS_ENOUGH && peak->snr < GUESS_SNR);
            if (!is_enough && job.width_px[i] > 1.0) {
                n_bright += peak->snr >= GUESS_SNR;
                snr[n] = (double)peak->snr;
                list[n++] = (struct guess){job.width_px[i], (double)peak->snr};
            }
        }
    }
    if (n == 0) {
        return USUAL_PX;
    }
    const double middle = nw_stat_median(snr, n);
    for (size_t i = 0; i < n; i++) {
        list[i].weight = fmin(list[i].weight, 10.0 * middle);
    }
    const double width = weighted_median(list, n);
    /* a few faint ones as narrow as hot pixels are hot pixels */
    return n_bright < GUESS_ENOUGH && width < NARROW_PX ? USUAL_PX : width;
}
