/* worm.c - periodic motion: search, period, harmonics, phase.
 * Idea: the innovations of the open-loop motion are white where there is no period; their
 * periodogram finds one and says how likely noise alone does so. The period then comes from the
 * full likelihood with harmonics, whitened column by column. What was found is taken out (series
 * .known), the loop model fitted again, and the search goes on.
 * Holds: series.known is the sum of all periods in the list; zero where none was found. */
#include "guiding/worm.h"

#include <math.h>

#define FALSE_ALARM_MOST 1e-3
#define HARMONIC_CHI2 13.8 /* two parameters: chance 1e-3, exp(-13.8/2) */
#define TURNS_LEAST 2.0    /* in the log */
#define STEPS_LEAST 8.0    /* samples in a period */
#define PERIOD_LEAST_s 15.0
#define FFT_MOST ((size_t)1 << 21)
#define TURN(x) (2.0 * NW_PI * (x))

enum { COLUMNS = 2 * NW_GUIDE_HARMONICS + 1 }; /* sines, cosines, slope with the period */
_Static_assert((int)COLUMNS <= (int)GUIDE_COLUMNS, "normal equations hold one family");

/* Working memory: whitened errors, columns of one family of harmonics. */
struct work {
    double *white, *columns[COLUMNS], *fft;
    size_t n, n_fft;
};

static void work_done(struct work *w) {
    free(w->white);
    free(w->fft);
    for (size_t i = 0; i < COLUMNS; i++) {
        free(w->columns[i]);
    }
}

static double span_s(const struct guide_series *s) {
    return s->t_s[s->n - 1] - s->t_s[0];
}

static enum nw_status work_init(const struct guide_series *s, struct work *w, struct nw_err *err) {
    *w = (struct work){.n = s->n, .n_fft = 1024};
    while (w->n_fft < FFT_MOST && (double)w->n_fft < 4.0 * span_s(s) / s->dt0_s) {
        w->n_fft *= 2;
    }
    bool is_ok = true;
    w->white = nw_calloc(s->n + 1, sizeof *w->white);
    w->fft = nw_calloc(w->n_fft, sizeof *w->fft);
    is_ok = w->white && w->fft;
    for (size_t i = 0; i < COLUMNS; i++) {
        w->columns[i] = nw_calloc(s->n + 1, sizeof *w->columns[i]);
        is_ok = is_ok && w->columns[i];
    }
    return is_ok ? NW_OK : nw_err_set(err, NW_NOMEM, "spectrum of %zu guide samples", s->n);
}

/* ---- the fit ---- */

struct family {
    double period_s, period_sigma_s;
    int harmonic[NW_GUIDE_HARMONICS];
    size_t n;
    struct guide_solution fit;
};

struct bench {
    const struct guide_series *s;
    const struct guide_whitener *w;
    struct work *work;
    double epoch_s;
};

/* Sines and cosines of all harmonics from one pair a sample, by the multiple-angle recurrence. */
static void fill_columns(const struct bench *b, const struct family *family) {
    double *const *columns = b->work->columns;
    const struct guide_series *s = b->s;
    for (size_t k = 0; k < s->n; k++) {
        const double at = TURN((s->t_s[k] - b->epoch_s) / family->period_s);
        const double s1 = sin(at);
        const double c1 = cos(at);
        double sine = 0.0;
        double cosine = 1.0;
        int h = 0;
        for (size_t i = 0; i < family->n; i++) {
            for (; h < family->harmonic[i]; h++) {
                const double up = sine * c1 + cosine * s1;
                cosine = cosine * c1 - sine * s1;
                sine = up;
            }
            columns[2 * i][k] = sine;
            columns[2 * i + 1][k] = cosine;
        }
    }
}

/* The derivative of the family's curve with the period, not whitened; needs the plain columns. */
static void fill_slope(const struct bench *b, const struct family *family) {
    double *const *columns = b->work->columns;
    double *slope = columns[2 * family->n];
    const struct guide_series *s = b->s;
    for (size_t k = 0; k < s->n; k++) {
        const double per_turn = -TURN((s->t_s[k] - b->epoch_s) / family->period_s);
        double sum = 0.0;
        for (size_t i = 0; i < family->n; i++) {
            sum += family->harmonic[i] * per_turn / family->period_s *
                   (family->fit.c[2 * i] * columns[2 * i + 1][k] -
                    family->fit.c[2 * i + 1] * columns[2 * i][k]);
        }
        slope[k] = sum;
    }
}

/* Least squares of the columns that stand in work; false if they determine nothing. */
static bool solve(const struct bench *b, size_t n_cols, struct guide_solution *ret) {
    struct work *work = b->work;
    nw_guide_whiten_all(b->w, work->columns, n_cols);
    const struct guide_normal normal =
        nw_guide_normal(work->white, (const double *const *)work->columns, n_cols, b->s->n);
    return nw_guide_solve(&normal, ret);
}

static bool fit_family(const struct bench *b, struct family *family) {
    fill_columns(b, family);
    return solve(b, 2 * family->n, &family->fit);
}

/* Amplitudes and period by Gauss-Newton; each step at most a third of the resolution. The sigma of
 * the period is that of the joint solution. */
static bool refine(const struct bench *b, struct family *family, int steps) {
    const double most = 0.3 * family->period_s * family->period_s / span_s(b->s);
    bool is_ok = fit_family(b, family);
    for (int i = 0; i < steps && is_ok; i++) {
        struct guide_solution joint;
        fill_columns(b, family);
        fill_slope(b, family);
        is_ok = solve(b, 2 * family->n + 1, &joint);
        if (is_ok) {
            const size_t at = 2 * family->n;
            family->period_s += fmin(fmax(joint.c[at], -most), most);
            family->period_sigma_s = sqrt(joint.cov[at][at] * joint.rss / (double)b->w->n_told);
            family->fit = joint;
        }
    }
    return is_ok && fit_family(b, family);
}

/* chi^2 that harmonic i alone takes away: c C^-1 c of its two coefficients. */
static double chi2_of(const struct family *family, size_t i, double r) {
    const double a = family->fit.c[2 * i];
    const double c = family->fit.c[2 * i + 1];
    const double aa = family->fit.cov[2 * i][2 * i];
    const double cc = family->fit.cov[2 * i + 1][2 * i + 1];
    const double ac = family->fit.cov[2 * i][2 * i + 1];
    const double det = aa * cc - ac * ac;
    return det > 0.0 ? (cc * a * a - 2.0 * ac * a * c + aa * c * c) / (det * r) : 0.0;
}

/* Drops the harmonics that noise explains; the first one stays. */
static void prune(const struct bench *b, struct family *family) {
    bool is_done = false;
    while (!is_done) {
        const double r = family->fit.rss / (double)b->w->n_told;
        size_t worst = 0;
        double least = HARMONIC_CHI2;
        for (size_t i = 1; i < family->n; i++) {
            const double chi2 = chi2_of(family, i, r);
            if (chi2 < least) {
                least = chi2;
                worst = i;
            }
        }
        is_done = worst == 0;
        if (!is_done) {
            family->n--;
            for (size_t i = worst; i < family->n; i++) {
                family->harmonic[i] = family->harmonic[i + 1];
            }
            (void)fit_family(b, family);
        }
    }
}

static struct family family_of(const struct guide_series *s, double period_s, size_t n_most) {
    struct family family = {.period_s = period_s};
    for (int i = 1; i <= (int)n_most && period_s / i > 4.0 * s->dt0_s; i++) {
        family.harmonic[family.n++] = i;
    }
    if (family.n == 0) {
        family.harmonic[family.n++] = 1;
    }
    return family;
}

/* The strongest line may be the second or third of its worm. Where the period is given, it rules
 * (3 % are enough to tell harmonics apart, and so is what a short log tells: a fifth at most); else
 * lines of the longer turn must stand out that are not of the shorter one. false: a line that is
 * none of the given worm's. */
static bool find_fundamental(const struct bench *b, double given_s, struct family *family) {
    if (given_s > 0.0) {
        const double order = given_s / family->period_s;
        const double nearest = round(order);
        const double told = fmin(0.2, 3.0 * family->period_sigma_s / family->period_s);
        if (!(nearest >= 1.0 && nearest <= NW_GUIDE_HARMONICS &&
              fabs(order - nearest) < fmax(0.03 * nearest, told * order))) {
            return false;
        }
        const double start_s = told > 0.03 ? given_s : family->period_s * nearest;
        *family = family_of(b->s, start_s, NW_GUIDE_HARMONICS);
        return refine(b, family, 4);
    }
    for (int divisor = 3; divisor >= 2; divisor--) {
        struct family longer = family_of(b->s, family->period_s * divisor, NW_GUIDE_HARMONICS);
        if (longer.period_s * TURNS_LEAST < span_s(b->s) && refine(b, &longer, 3) &&
            chi2_of(&longer, 0, longer.fit.rss / (double)b->w->n_told) > 2.0 * HARMONIC_CHI2) {
            *family = longer;
            return true;
        }
    }
    *family = family_of(b->s, family->period_s, NW_GUIDE_HARMONICS);
    return refine(b, family, 4);
}

/* ---- the list ---- */

double nw_guide_worm_at(const struct nw_guide_worm *worm, double t_s) {
    double sum = 0.0;
    for (size_t i = 0; i < worm->n; i++) {
        const struct nw_guide_period *p = &worm->periods[i];
        sum += p->amplitude_rad * sin(TURN((t_s - worm->epoch_s) / p->period_s) + p->phase_rad);
    }
    return sum;
}

static void fill_known(const struct nw_guide_worm *worm, struct guide_series *s) {
    for (size_t k = 0; k < s->n; k++) {
        s->known[k] = nw_guide_worm_at(worm, s->t_s[k]);
    }
}

/* What one pass of the search needs and finds. */
struct pass {
    const struct guide_worm_opts *opts;
    struct work *work;
    struct family family;
    double false_alarm;
    int number;   /* 0: search; 1: all of its lines; 2: with a loop model that knows them all */
    bool is_worm; /* the family is that of the worm */
};

static void add_family(const struct bench *b, const struct pass *pass, struct nw_guide_worm *ret) {
    const struct family *family = &pass->family;
    const double r = family->fit.rss / (double)b->w->n_told;
    for (size_t i = 0; i < family->n && ret->n < NW_GUIDE_PERIODS; i++) {
        const double a = family->fit.c[2 * i];
        const double c = family->fit.c[2 * i + 1];
        const double size = hypot(a, c);
        const double var =
            (a * a * family->fit.cov[2 * i][2 * i] + c * c * family->fit.cov[2 * i + 1][2 * i + 1] +
             2.0 * a * c * family->fit.cov[2 * i][2 * i + 1]) *
            r / (size * size);
        const double across =
            (c * c * family->fit.cov[2 * i][2 * i] + a * a * family->fit.cov[2 * i + 1][2 * i + 1] -
             2.0 * a * c * family->fit.cov[2 * i][2 * i + 1]) *
            r / (size * size);
        ret->periods[ret->n++] = (struct nw_guide_period){
            .period_s = family->period_s / family->harmonic[i],
            .period_sigma_s = family->period_sigma_s / family->harmonic[i],
            .amplitude_rad = size,
            .amplitude_sigma_rad = sqrt(var),
            .phase_rad = atan2(c, a),
            .phase_sigma_rad = sqrt(across) / size,
            .axis_phase_rad = NAN,
            .left_rad = NAN,
            .false_alarm = i == 0 ? pass->false_alarm : exp(-0.5 * chi2_of(family, i, r)),
            .harmonic = pass->is_worm ? family->harmonic[i] : 0};
    }
}

/* The strongest line of what `found` leaves; in later passes all of its family. */
static bool take_family(const struct bench *b, const struct nw_guide_worm *found,
                        struct pass *pass) {
    const struct guide_series *s = b->s;
    const double high_Hz = 1.0 / fmax(PERIOD_LEAST_s, STEPS_LEAST * s->dt0_s);
    if (pass->number == 0) {
        const struct work *work = pass->work;
        const struct guide_whitened in = {s, b->w, work->white, work->fft, work->n_fft};
        const struct guide_peak peak = nw_guide_find_peak(&in, TURNS_LEAST / span_s(s), high_Hz);
        pass->false_alarm = nw_guide_false_alarm(peak.power, (double)b->w->n_told, high_Hz,
                                                 nw_guide_time_variance_s2(s));
        if (!(peak.frequency_Hz > 0.0) || !(pass->false_alarm < FALSE_ALARM_MOST)) {
            return false;
        }
        pass->family = family_of(s, 1.0 / peak.frequency_Hz, 1);
        pass->is_worm = found->n == 0;
        return refine(b, &pass->family, 3);
    }
    bool is_ok = refine(b, &pass->family, 2);
    if (is_ok && pass->is_worm && pass->number == 1) {
        pass->is_worm = find_fundamental(b, pass->opts->period_s, &pass->family);
    }
    if (is_ok && pass->is_worm) {
        prune(b, &pass->family);
        is_ok = refine(b, &pass->family, 2);
    }
    return is_ok;
}

/* One family of lines is searched, then fitted again with a loop model that knows of it. */
static enum nw_status find_family(struct guide_series *s, const struct guide_worm_opts *opts,
                                  struct work *work, struct nw_guide_worm *ret, bool *ret_found,
                                  struct nw_err *err) {
    enum { PASSES = 3 };
    struct pass pass = {.opts = opts, .work = work};
    *ret_found = true;
    for (int i = 0; i < PASSES && *ret_found; i++) {
        const struct guide_fit_opts fit_opts = {.b_fixed = opts->b, .is_wander_fixed = i == 0};
        const struct guide_fit fit = nw_guide_fit_loop(s, &fit_opts);
        const struct guide_noise noise = {.ln_q = fit.ln_q, .ln_qv = fit.ln_qv};
        struct guide_whitener w;
        const enum nw_status status = nw_guide_whitener_init(s, &noise, &w, err);
        if (status != NW_OK) {
            return status;
        }
        fill_known(ret, s);
        for (size_t k = 0; k < s->n; k++) {
            work->white[k] = s->e_rad[k] - s->known[k] - opts->b * s->x[k];
        }
        nw_guide_whiten(&w, work->white, work->white);
        const struct bench bench = {s, &w, work, ret->epoch_s};
        pass.number = i;
        *ret_found = take_family(&bench, ret, &pass);
        if (*ret_found) {
            struct nw_guide_worm with = *ret;
            add_family(&bench, &pass, &with);
            fill_known(&with, s); /* for the next fit of the loop model */
            *ret = i == PASSES - 1 ? with : *ret;
        }
        nw_guide_whitener_done(&w);
    }
    if (!*ret_found) {
        fill_known(ret, s);
    }
    return NW_OK;
}

enum nw_status nw_guide_find_worm(const struct nw_guide_log *log, struct guide_series *s,
                                  const struct guide_worm_opts *opts, struct nw_guide_worm *ret,
                                  struct nw_err *err) {
    struct nw_guide_worm worm = {.epoch_s = 0.5 * (s->t_s[0] + s->t_s[s->n - 1]),
                                 .motion_without_rad = NAN};
    struct work work = {0};
    memset(s->known, 0, s->n * sizeof *s->known);
    enum nw_status status = work_init(s, &work, err);
    bool is_found = true;
    while (status == NW_OK && is_found && worm.n < NW_GUIDE_PERIODS) {
        const size_t before = worm.n;
        status = find_family(s, opts, &work, &worm, &is_found, err);
        is_found = is_found && worm.n > before;
    }
    if (status == NW_OK) {
        fill_known(&worm, s);
        if (worm.n == 0) {
            (void)snprintf(worm.why_null, sizeof worm.why_null,
                           "no period stands out of the noise (chance below %g)", FALSE_ALARM_MOST);
        }
        nw_guide_worm_find_left(s, &worm);
        nw_guide_worm_key(log, &worm);
        nw_guide_worm_to_axis(log, opts, &worm);
        *ret = worm;
    }
    work_done(&work);
    return status;
}
