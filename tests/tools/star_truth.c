/* star_truth.c - the image engine against fields of known truth, many seeds: what test programs
 * of ten seconds cannot show. Prints tables; asserts nothing.
 * usage: star_truth found WIDTH_PX STARS SIDE_PX [SEEDS]
 *            completeness, false finds, light, width, noise; the width is the delivered one
 *        star_truth raw WIDTH_PX STARS SIDE_PX [SEEDS]
 *            the same on raw frames: hot pixels, warm columns, particle hits, dead pixels
 *        star_truth pulls FWHM_PX [SEEDS [SNR]]
 *            isolated stars of SNR 60 (or SNR) to 1.5 times that: error over reported error, its
 *            scatter and its mean; with a word behind the SNR frame by frame
 *        star_truth bias WIDTH_PX [SEEDS [SNR]]
 *            such frames: widths and shapes against the truth, places against the Cramer-Rao bound
 *        star_truth colour FWHM_PX [SEEDS [SNR]]
 *            width of such a frame, whole and by the colours of a filter mosaic, against the truth
 * FWHM_PX is the width before the pixel. With one seed, or a word behind the seeds, what is missed
 * and what is false is listed with the defects beside it and the pixels about it. */
#include "star_field.h"

#include <stdio.h>

static const double SKY = 1000.0;
static const double SIGMA = 10.0;
static const double GAIN = 1.5;
static const double BETA = 3.2;

/* Flux of a star of that SNR, sky noise in the equivalent noise area, pixel left out. */
static double flux_of(double snr, const struct true_profile *p) {
    const double alpha = true_alpha(p);
    return snr * SIGMA *
           sqrt(NW_PI * alpha * alpha * (2.0 * p->beta - 1.0) /
                ((p->beta - 1.0) * (p->beta - 1.0)));
}

static struct nw_measure *measured(const struct nw_frame *f) {
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const struct nw_measure_opts opts = {.gain_e_per_adu = GAIN, .saturation_adu = 60000.0};
    if (nw_measure_frame(f, NW_CHANNEL_MONO, "", &opts, &m, &err) != NW_OK) {
        fprintf(stderr, "%s\n", err.text);
        exit(1);
    }
    return m;
}

/* The profile whose delivered width is that. */
static struct true_profile profile_delivering(double width_px) {
    struct true_profile p = {width_px, 0.95, 0.3, BETA};
    for (int i = 0; i < 20; i++) {
        p.fwhm = fmax(0.5, p.fwhm + width_px - true_delivered(&p, 1.0));
    }
    return p;
}

static double argument(int argc, char **argv, int i, double if_absent) {
    double value = if_absent;
    return argc > i && nw_text_to_double(argv[i], &value) ? value : if_absent;
}

struct tally {
    size_t n_true, n_found, n_false, n_listed, n_false_all, n_twice;
    double ratio[20000], noise_sum, pixel_sum; /* noise of the mesh; of single pixels */
    size_t n_ratio;
};

/* A frame, and what spoils its pixels. */
struct spoilt {
    const struct nw_frame *frame;
    const uint8_t *what;
};

/* The defects within `reach` of a place, and the pixels there less the sky. */
static void show(const struct spoilt *s, double x, double y, double reach) {
    static const char *const NAME[] = {"hot pixel", "warm column", "track", "dead pixel"};
    const long w = (long)s->frame->width_px;
    const long h = (long)s->frame->height_px;
    const long r = (long)ceil(reach);
    uint8_t near = 0;
    for (long j = lround(y) - r; j <= lround(y) + r; j++) {
        printf("   ");
        for (long i = lround(x) - r; i <= lround(x) + r; i++) {
            const bool is_inside = i >= 0 && j >= 0 && i < w && j < h;
            near |= is_inside ? s->what[j * w + i] : 0;
            printf("%6.0f", is_inside ? (double)s->frame->px[j * w + i] - SKY : (double)NAN);
        }
        printf("\n");
    }
    printf("    beside:%s", near ? "" : " nothing");
    for (int k = 0; k < 4; k++) {
        printf("%s%s", near & (1 << k) ? " " : "", near & (1 << k) ? NAME[k] : "");
    }
    printf("\n");
}

/* A star counts when no neighbour with 0.3 of its light lies within 1.5 widths. */
static void compare(const struct true_star *s, size_t n, const struct true_profile *p,
                    const struct nw_measure *m, const struct spoilt *spoilt, struct tally *t) {
    const double flux_min = flux_of(20.0, p);
    for (size_t i = 0; i < n; i++) {
        const double x = s[i].x;
        const double y = s[i].y;
        bool counts = s[i].flux > flux_min && x > 3.0 && y > 3.0 && x < (double)m->width_px - 3.0 &&
                      y < (double)m->height_px - 3.0;
        double wing = 0.0;
        for (size_t k = 0; k < n && counts; k++) {
            const double d = hypot(s[k].x - x, s[k].y - y);
            counts = k == i || s[k].flux < 0.3 * s[i].flux || d > 1.5 * p->fwhm;
            wing += k == i || d > 100.0 ? 0.0 : s[k].flux * true_pixel(p, d, 0.0, 1.0, 1);
        }
        if (!counts) {
            continue;
        }
        const struct nw_star *const found = field_find(m, x, y, 1.0 + 0.3 * p->fwhm);
        t->n_true++;
        t->n_found += found != NULL;
        if (!found && spoilt) {
            printf("  missed: snr %.0f at %.1f %.1f, wings of others %.0f ADU\n",
                   20.0 * s[i].flux / flux_min, x, y, wing);
            show(spoilt, x, y, p->fwhm + 2.0);
        }
        if (found && t->n_ratio < 20000 && !(found->flags & NW_STAR_BLENDED)) {
            t->ratio[t->n_ratio++] = found->flux_adu / s[i].flux;
        }
    }
    bool *const is_listed = calloc(n, sizeof *is_listed);
    for (size_t k = 0; k < m->n_stars; k++) {
        double nearest = INFINITY;
        size_t star = 0;
        for (size_t i = 0; i < n; i++) {
            const double d = hypot(s[i].x - m->stars[k].x_px, s[i].y - m->stars[k].y_px);
            star = d < nearest ? i : star;
            nearest = fmin(nearest, d);
        }
        const bool is_true = nearest < p->fwhm + 1.0;
        t->n_twice += is_true && is_listed[star];
        is_listed[star] = is_listed[star] || is_true;
        t->n_false_all += !is_true;
        t->n_false += !is_true && m->stars[k].snr > 20.0;
        if (!is_true && spoilt && m->stars[k].snr > 20.0) {
            printf("  false: snr %.1f peak %.0f at %.1f %.1f flags %x\n", m->stars[k].snr,
                   m->stars[k].peak_adu, m->stars[k].x_px, m->stars[k].y_px, m->stars[k].flags);
            show(spoilt, m->stars[k].x_px, m->stars[k].y_px, p->fwhm + 2.0);
        }
    }
    free(is_listed);
    t->n_listed += m->n_stars;
    t->noise_sum += m->noise_adu;
    t->pixel_sum += m->aspects.noise.pixel_adu;
}

static void found(int argc, char **argv, bool is_raw) {
    const double width_px = argument(argc, argv, 2, 3.0);
    const size_t n = (size_t)argument(argc, argv, 3, 200.0);
    const size_t side = (size_t)argument(argc, argv, 4, 1000.0);
    const int seeds = (int)argument(argc, argv, 5, 1.0);
    const struct true_profile p = profile_delivering(width_px);
    struct true_star *const s = calloc(n, sizeof *s);
    uint8_t *const what = calloc(side * side, 1);
    struct tally *const t = calloc(1, sizeof *t);
    double width = 0.0;
    for (int seed = 1; seed <= seeds; seed++) {
        gsl_rng *const rng = test_rng((unsigned long)seed);
        struct nw_frame *const f = field_new(side, side, SKY);
        for (size_t i = 0; i < n; i++) {
            s[i] = (struct true_star){gsl_ran_flat(rng, -0.5, (double)side - 0.5),
                                      gsl_ran_flat(rng, -0.5, (double)side - 0.5),
                                      flux_of(8.0, &p) *
                                          fmin(pow(gsl_rng_uniform_pos(rng), -1.0), 500.0)};
        }
        field_add(f, s, n, &p, 1.0, 0.2);
        field_noise(f, SKY, SIGMA, GAIN, rng);
        if (is_raw) {
            memset(what, 0, side * side);
            field_spoil(f, what, rng);
        }
        struct nw_measure *const m = measured(f);
        const struct spoilt spoilt = {f, what};
        compare(s, n, &p, m, seeds == 1 || argc > 6 ? &spoilt : NULL, t);
        width += m->fwhm_px / seeds;
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
    const double share = 100.0 * (double)t->n_found / (double)t->n_true;
    printf("%4.1f px %6.0f stars/Mpx%s: %zu of %zu found (%.2f %%); "
           "%zu false above SNR 20 (%.2f %%), %zu of all %zu, %zu listed twice; flux %+.2f %%, "
           "width %+.2f %%, "
           "noise of the mesh %+.1f %%, of a pixel %+.1f %%\n",
           width_px, 1e6 * (double)n / ((double)side * (double)side), is_raw ? ", raw" : "",
           t->n_found, t->n_true, share, t->n_false, 100.0 * (double)t->n_false / (double)t->n_true,
           t->n_false_all, t->n_listed, t->n_twice,
           100.0 * (nw_stat_median(t->ratio, t->n_ratio) - 1.0),
           100.0 * (width / true_delivered(&p, 1.0) - 1.0),
           100.0 * (t->noise_sum / seeds / SIGMA - 1.0),
           100.0 * (t->pixel_sum / seeds / SIGMA - 1.0));
    free(s);
    free(t);
    free(what);
}

/* ---- pulls ---- */

#define PULL_LIST(X)                                                                               \
    X(X_PX, "position, x")                                                                         \
    X(Y_PX, "position, y")                                                                         \
    X(FLUX, "flux")                                                                                \
    X(WIDTH, "width of a star")                                                                    \
    X(FRAME_WIDTH, "width of the frame")                                                           \
    X(FRAME_E1, "e1 of the frame")                                                                 \
    X(FRAME_E2, "e2 of the frame")                                                                 \
    X(ZONE_WIDTH, "width of a zone")                                                               \
    X(ZONE_E1, "e1 of a zone")                                                                     \
    X(ZONE_HALF, "half-light radius of a zone")
enum pull {
#define X(name, text) PULL_##name,
    PULL_LIST(X)
#undef X
        N_PULLS
};
static const char *const PULL_TEXT[N_PULLS] = {
#define X(name, text) text,
    PULL_LIST(X)
#undef X
};

/* Sums of the pulls of one quantity; the truth of some is the mean over all seeds (scatter only).
 */
struct pull_sums {
    double n, sum, sum2;
};

static void pull_add(struct pull_sums *p, double error, double sigma) {
    if (isfinite(error) && sigma > 0.0) {
        p->n += 1.0;
        p->sum += error / sigma;
        p->sum2 += error * error / (sigma * sigma);
    }
}

enum { PULL_SIDE = 16 };

/* Stars on a jittered grid, sky as large as eight widths to each. */
static struct nw_frame *pull_field(const struct true_profile *p, double snr, gsl_rng *rng,
                                   struct true_star *s) {
    const size_t pitch = (size_t)ceil(8.0 * p->fwhm) + 10;
    struct nw_frame *const f = field_new((size_t)PULL_SIDE * pitch, (size_t)PULL_SIDE * pitch, SKY);
    for (int i = 0; i < PULL_SIDE * PULL_SIDE; i++) {
        s[i] = (struct true_star){((double)(i % PULL_SIDE) + 0.5) * (double)pitch +
                                      gsl_ran_flat(rng, -0.5, 0.5),
                                  (double)(i / PULL_SIDE) * (double)pitch + 0.5 * (double)pitch +
                                      gsl_ran_flat(rng, -0.5, 0.5),
                                  flux_of(snr, p) * gsl_ran_flat(rng, 1.0, 1.5)};
    }
    field_add(f, s, PULL_SIDE * PULL_SIDE, p, 1.0, 0.05);
    field_noise(f, SKY, SIGMA, GAIN, rng);
    return f;
}

/* What the truth of a pixel-integrated profile is: width, e, share of the light in the circle. */
struct pull_truth {
    double width, e1, e2, share;
};

static struct pull_truth pull_truth_of(const struct true_profile *p) {
    const double a = true_width(p, p->theta, 1.0);
    const double b = true_width(p, p->theta + NW_PI / 2.0, 1.0);
    const double e = (a * a - b * b) / (a * a + b * b);
    const double r = 2.5 * sqrt(a * b) / true_alpha(p); /* axis ratio 0.95: round to 1e-4 */
    return (struct pull_truth){sqrt(a * b), e * cos(2.0 * p->theta), e * sin(2.0 * p->theta),
                               1.0 - pow(1.0 + r * r, 1.0 - p->beta)};
}

static void pull_count(const struct nw_measure *m, const struct true_star *s,
                       const struct pull_truth *t, struct pull_sums sums[static N_PULLS]) {
    for (int i = 0; i < PULL_SIDE * PULL_SIDE; i++) {
        const struct nw_star *const star = field_find(m, s[i].x, s[i].y, 2.0);
        if (star && star->flags == 0) {
            pull_add(&sums[PULL_X_PX], star->x_px - s[i].x, star->x_sigma_px);
            pull_add(&sums[PULL_Y_PX], star->y_px - s[i].y, star->y_sigma_px);
            pull_add(&sums[PULL_FLUX], star->flux_adu - t->share * s[i].flux, star->flux_sigma_adu);
            pull_add(&sums[PULL_WIDTH], star->fwhm_px - t->width, star->fwhm_sigma_px);
        }
    }
    pull_add(&sums[PULL_FRAME_WIDTH], m->fwhm_px - t->width, m->fwhm_sigma_px);
    pull_add(&sums[PULL_FRAME_E1], m->e1 - t->e1, m->e_sigma);
    pull_add(&sums[PULL_FRAME_E2], m->e2 - t->e2, m->e_sigma);
    for (size_t z = 0; z < NW_ZONES_X * NW_ZONES_Y; z++) {
        const struct nw_zone *const zone = &m->zones[z];
        pull_add(&sums[PULL_ZONE_WIDTH], zone->fwhm_px - m->fwhm_px, zone->fwhm_sigma_px);
        pull_add(&sums[PULL_ZONE_E1], zone->e1 - m->e1, zone->e_sigma);
        pull_add(&sums[PULL_ZONE_HALF], zone->half_light_px - m->half_light_px,
                 zone->half_light_sigma_px);
    }
}

static void pulls(int argc, char **argv) {
    const double fwhm = argument(argc, argv, 2, 3.0);
    const int seeds = (int)argument(argc, argv, 3, 50.0);
    const double snr = argument(argc, argv, 4, 60.0);
    const struct true_profile p = {fwhm, 0.95, 0.3, BETA};
    const struct pull_truth truth = pull_truth_of(&p);
    struct pull_sums sums[N_PULLS] = {{0}};
    struct true_star s[PULL_SIDE * PULL_SIDE];
    for (int seed = 1; seed <= seeds; seed++) {
        gsl_rng *const rng = test_rng((unsigned long)seed + 1000);
        struct nw_frame *const f = pull_field(&p, snr, rng, s);
        struct nw_measure *const m = measured(f);
        if (argc > 5) {
            printf("  seed %d: width %.4f +- %.4f of %.4f px, beta %.2f, sky %+.2f, noise %.3f\n",
                   seed, m->fwhm_px, m->fwhm_sigma_px, truth.width, m->moffat_beta,
                   m->background_adu - SKY, m->noise_adu);
        }
        pull_count(m, s, &truth, sums);
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
    for (int k = 0; k < N_PULLS; k++) {
        const double n = sums[k].n;
        const double mean = sums[k].sum / n;
        const double width = sqrt(sums[k].sum2 / n - mean * mean);
        printf("%4.1f px %-28s %6.0f pulls: width %.3f +- %.3f, mean %+.3f\n", fwhm, PULL_TEXT[k],
               n, width, width / sqrt(2.0 * n), mean);
    }
}

/* ---- bias ---- */

static void bias(int argc, char **argv) {
    const int seeds = (int)argument(argc, argv, 3, 20.0);
    const double snr = argument(argc, argv, 4, 60.0);
    const struct true_profile p = profile_delivering(argument(argc, argv, 2, 3.0));
    const struct pull_truth truth = pull_truth_of(&p);
    struct pull_sums off[4] = {{0}}; /* delivered and optical width, e1, e2 */
    struct true_star s[PULL_SIDE * PULL_SIDE];
    double square = 0.0;
    double bound = 0.0;
    size_t n_lost = 0;
    for (int seed = 1; seed <= seeds; seed++) {
        gsl_rng *const rng = test_rng((unsigned long)seed + 3000);
        struct nw_frame *const f = pull_field(&p, snr, rng, s);
        struct nw_measure *const m = measured(f);
        pull_add(&off[0], m->fwhm_px - truth.width, truth.width);
        pull_add(&off[1], m->fwhm_optical_px - p.fwhm, p.fwhm);
        pull_add(&off[2], m->e1 - truth.e1, 1.0);
        pull_add(&off[3], m->e2 - truth.e2, 1.0);
        for (int i = 0; i < PULL_SIDE * PULL_SIDE; i++) {
            const struct nw_star *const star = field_find(m, s[i].x, s[i].y, 1.0);
            n_lost += star == NULL;
            if (star) {
                square += pow(star->x_px - s[i].x, 2.0) + pow(star->y_px - s[i].y, 2.0);
                bound += 2.0 * true_position_bound(&p, &s[i], SIGMA, GAIN);
            }
        }
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
    printf("%5.2f px SNR %3.0f to %3.0f: delivered %+.2f %%, optical %+.2f %%, e1 %+.4f, e2 %+.4f; "
           "places %.3f of the bound; %zu lost\n",
           truth.width, snr, 1.5 * snr, 100.0 * off[0].sum / off[0].n,
           100.0 * off[1].sum / off[1].n, off[2].sum / off[2].n, off[3].sum / off[3].n,
           sqrt(square / bound), n_lost);
}

/* ---- colours ---- */

static void colours(int argc, char **argv) {
    static const enum nw_channel CHANNELS[] = {NW_CHANNEL_MONO, NW_CHANNEL_R, NW_CHANNEL_G,
                                               NW_CHANNEL_B};
    enum { N = sizeof CHANNELS / sizeof CHANNELS[0] };
    const double fwhm = argument(argc, argv, 2, 3.0);
    const int seeds = (int)argument(argc, argv, 3, 20.0);
    const double snr = argument(argc, argv, 4, 60.0);
    const struct true_profile p = {fwhm, 0.95, 0.3, BETA};
    const struct pull_truth truth = pull_truth_of(&p);
    struct pull_sums pull[N] = {{0}};
    struct pull_sums bias[N] = {{0}};
    double under[N] = {0};
    struct true_star s[PULL_SIDE * PULL_SIDE];
    for (int seed = 1; seed <= seeds; seed++) {
        gsl_rng *const rng = test_rng((unsigned long)seed + 2000);
        struct nw_frame *const f = pull_field(&p, snr, rng, s);
        for (int k = 0; k < N; k++) {
            struct nw_measure *m = NULL;
            struct nw_err err = {NW_OK, ""};
            const struct nw_measure_opts opts = {.gain_e_per_adu = GAIN, .saturation_adu = 60000.0};
            if (nw_measure_frame(f, CHANNELS[k], "RGGB", &opts, &m, &err) == NW_OK) {
                pull_add(&pull[k], m->fwhm_px - truth.width, m->fwhm_sigma_px);
                pull_add(&bias[k], m->fwhm_px - truth.width, truth.width);
                under[k] += m->flags & NW_FRAME_UNDER_SAMPLED ? 1.0 : 0.0;
            }
            nw_measure_free(m);
        }
        field_free(f);
        gsl_rng_free(rng);
    }
    for (int k = 0; k < N; k++) {
        const double n = pull[k].n;
        const double mean = bias[k].sum / n;
        const double off = pull[k].sum / n;
        printf("%4.1f px %-4s %4.0f frames: width %+.2f %% +- %.2f %%, pull %.2f %+.2f; "
               "under-sampled %.0f\n",
               truth.width, nw_channel_name(CHANNELS[k]), n, 100.0 * mean,
               100.0 * sqrt(bias[k].sum2 / n - mean * mean), sqrt(pull[k].sum2 / n - off * off),
               off, under[k]);
    }
}

int main(int argc, char **argv) {
    if (argc > 4 && strcmp(argv[1], "found") == 0) {
        found(argc, argv, false);
    } else if (argc > 4 && strcmp(argv[1], "raw") == 0) {
        found(argc, argv, true);
    } else if (argc > 2 && strcmp(argv[1], "pulls") == 0) {
        pulls(argc, argv);
    } else if (argc > 2 && strcmp(argv[1], "bias") == 0) {
        bias(argc, argv);
    } else if (argc > 2 && strcmp(argv[1], "colour") == 0) {
        colours(argc, argv);
    } else {
        fprintf(stderr, "usage: see the head of tests/tools/star_truth.c\n");
        return 2;
    }
    return 0;
}
