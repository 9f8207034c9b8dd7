/* throughput.c - catalogue stars found in a frame, and what arrived of their photons; see
 * throughput.h. */
#include "light/throughput.h"

#include <math.h>

static const double LOG_A0[][2] = {
    /* wavelength [m], photons against V; REFERENCES PHO-02v1, wavelengths PHO-02v2 */
    {438e-9, 1392.6 / 995.5},
    {545e-9, 1.0},
    {641e-9, 702.0 / 995.5},
    {798e-9, 452.0 / 995.5}};
enum { N_A0 = sizeof LOG_A0 / sizeof LOG_A0[0] };

static double a0_photons(double wavelength_m) {
    size_t i = 0;
    while (i + 2 < N_A0 && wavelength_m > LOG_A0[i + 1][0]) {
        i++;
    }
    const double part = (wavelength_m - LOG_A0[i][0]) / (LOG_A0[i + 1][0] - LOG_A0[i][0]);
    return exp(log(LOG_A0[i][1]) + part * log(LOG_A0[i + 1][1] / LOG_A0[i][1]));
}

double nw_light_star_photons(double bv_mag, double centre_m, double width_m) {
    enum { STEPS = 16 };
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double lambda = centre_m + width_m * ((i + 0.5) / STEPS - 0.5);
        const double place = (1.0 / lambda - 1.0 / 545e-9) / (1.0 / 438e-9 - 1.0 / 545e-9);
        sum += a0_photons(lambda) * pow(10.0, -0.4 * bv_mag * place);
    }
    return sum / STEPS;
}

/* Positions in coarser pixels: what the list lacks (proper motion, distortion) is a few of them. */
static const double COARSER = 3.0;

static void as_dots(const struct nw_throughput_case *w, double parity, struct nw_measure *ret) {
    const double scale = nw_setup_scale_rad(w->what->setup) * COARSER;
    for (size_t i = 0; i < w->n; i++) {
        const struct nw_reference *const r = &w->references[i];
        /* gnomonic projection (Calabretta & Greisen 2002, A&A 395, 1077, sec. 5.1.3) */
        const double da = r->ra_rad - w->ra_rad;
        const double c =
            sin(w->dec_rad) * sin(r->dec_rad) + cos(w->dec_rad) * cos(r->dec_rad) * cos(da);
        const double xi = cos(r->dec_rad) * sin(da) / c;
        const double eta =
            (cos(w->dec_rad) * sin(r->dec_rad) - sin(w->dec_rad) * cos(r->dec_rad) * cos(da)) / c;
        ret->stars[i] =
            (struct nw_star){.x_px = parity * xi / scale + 0.5 * ((double)ret->width_px - 1.0),
                             .y_px = eta / scale + 0.5 * ((double)ret->height_px - 1.0),
                             .flux_adu = pow(10.0, -0.4 * r->v_mag),
                             .snr = 100.0};
    }
    ret->n_stars = w->n;
}

/* The frame's brightest, full ones too: they say where it is. */
static void as_frame(const struct nw_throughput_case *w, struct nw_measure *ret) {
    const size_t most = w->n + w->n / 2 + 10;
    const size_t n = w->stars->n_stars < most ? w->stars->n_stars : most;
    for (size_t i = 0; i < n; i++) {
        ret->stars[i] = w->stars->stars[i];
        ret->stars[i].flags &= ~(uint32_t)(NW_STAR_SATURATED | NW_STAR_BLENDED);
        ret->stars[i].x_px /= COARSER;
        ret->stars[i].y_px /= COARSER;
    }
    ret->n_stars = n;
}

/* What is left of each used star after the photons foretold: magnitudes, with their colours. */
struct left {
    double *mag, *bv, *work;
    size_t n;
};

static void compare(const struct nw_throughput_case *w, const struct nw_match *match,
                    struct left *left, struct nw_throughput *ret) {
    const uint32_t bad = NW_STAR_EDGE | NW_STAR_STREAK | NW_STAR_NOT_POINT | NW_STAR_BLENDED;
    const double per_mag0 = nw_light_e_s_of_mag(w->what->setup, w->band, 0.0);
    ret->n_matched = match->n_pairs;
    for (size_t i = 0; i < match->n_pairs; i++) {
        const struct nw_star *const s = &w->stars->stars[match->pairs[i].a];
        const struct nw_reference *const r = &w->references[match->pairs[i].b];
        if (s->flags & (uint32_t)NW_STAR_SATURATED) {
            ret->n_full++;
        } else if (!(s->flags & bad) && s->flux_adu > 0.0) {
            const double bv = isfinite(r->bv_mag) ? r->bv_mag : 0.6;
            const double foretold = per_mag0 * pow(10.0, -0.4 * r->v_mag) *
                                    nw_light_star_photons(bv, w->band->centre_m, w->band->width_m);
            const double e_s = s->flux_adu * w->gain_e_per_adu / w->exposure_s;
            left->mag[left->n] = -2.5 * log10(e_s / foretold);
            left->bv[left->n++] = r->bv_mag;
            ret->brightest_mag = fmin(ret->brightest_mag, r->v_mag);
            ret->faintest_mag = fmax(ret->faintest_mag, r->v_mag);
        }
    }
    ret->n_used = left->n;
}

/* Slope of what is left against colour, by least squares. */
static void fit_colour(const struct left *l, struct nw_throughput *ret) {
    double s = 0.0;
    double sx = 0.0;
    double sy = 0.0;
    double sxx = 0.0;
    double sxy = 0.0;
    for (size_t i = 0; i < l->n; i++) {
        if (isfinite(l->bv[i])) {
            s += 1.0;
            sx += l->bv[i];
            sy += l->mag[i];
            sxx += l->bv[i] * l->bv[i];
            sxy += l->bv[i] * l->mag[i];
        }
    }
    const double d = s * sxx - sx * sx;
    ret->colour_slope = ret->colour_slope_sigma = NAN;
    if (s >= 8.0 && d > 1e-6) {
        ret->colour_slope = (s * sxy - sx * sy) / d;
        ret->colour_slope_sigma = ret->scatter_mag * sqrt(s / d);
    }
}

static double share2(const struct nw_val *val) {
    return pow(nw_val_share(val), 2.0);
}

static void finish(const struct nw_throughput_case *w, const struct left *left,
                   struct nw_throughput *ret) {
    const struct nw_setup *const s = w->what->setup;
    const struct nw_val *const k = &w->what->rig->site.extinction_mag;
    memcpy(left->work, left->mag, left->n * sizeof *left->work);
    double middle = NAN;
    const double scatter = nw_stat_mad_sigma(left->work, left->n, &middle);
    const double n = (double)left->n;
    /* of a median: 1.25 sigma / sqrt(n); under 4 stars the scatter is not known: 0.1 mag */
    ret->scatter_mag = left->n >= 4 ? scatter : NAN;
    const double mag_sigma = 1.25 * (left->n >= 4 ? fmax(scatter, 0.01) : 0.1) / sqrt(n);
    const struct nw_sky_passband passband = nw_light_passband(w->what, w->band);
    const double air = nw_sky_air_share(&passband);
    const double through =
        w->band->transmission * s->telescope.transmission.v * s->camera.quantum_efficiency.v;
    const double here = nw_sky_extinction_at(k->v, passband.elevation_m, passband.centre_m);
    const double air_sigma_mag = nw_val_share(k) * here * w->what->airmass;
    const double ln_per_mag = 0.4 * log(10.0);
    ret->share = through * pow(10.0, -0.4 * middle);
    ret->share_sigma = ret->share * ln_per_mag * mag_sigma;
    ret->ground_share = ret->share / air;
    ret->ground_sigma = ret->ground_share * ln_per_mag * hypot(mag_sigma, air_sigma_mag);
    ret->foretold = through * air;
    ret->foretold_sigma =
        ret->foretold *
        sqrt(share2(&s->telescope.transmission) + share2(&s->camera.quantum_efficiency) +
             share2(&w->what->filter->transmission) + pow(ln_per_mag * air_sigma_mag, 2.0));
    const double e_s = nw_light_e_s_of_mag(s, w->band, 0.0) * pow(10.0, -0.4 * middle) *
                       nw_light_star_photons(0.0, w->band->centre_m, w->band->width_m);
    ret->zero_mag = 2.5 * log10(e_s);
    ret->zero_sigma_mag = mag_sigma;
    fit_colour(left, ret);
}

/* Finds the field; *ret_match is yours (nw_match_done). */
static enum nw_status find(const struct nw_throughput_case *w, struct nw_match *ret_match,
                           bool *ret_is_mirrored, struct nw_err *err) {
    const size_t room = (w->n > w->stars->n_stars ? w->n : w->stars->n_stars) + 1;
    struct nw_measure frame = {.width_px = (size_t)((double)w->stars->width_px / COARSER),
                               .height_px = (size_t)((double)w->stars->height_px / COARSER),
                               .stars = nw_calloc(room, sizeof(struct nw_star))};
    struct nw_measure list = {.width_px = frame.width_px,
                              .height_px = frame.height_px,
                              .stars = nw_calloc(room, sizeof(struct nw_star))};
    enum nw_status status = NW_DATA;
    if (!frame.stars || !list.stars) {
        status = nw_err_set(err, NW_NOMEM, "%zu stars", room);
    }
    for (int side = 0; side < 2 && status == NW_DATA; side++) {
        as_frame(w, &frame);
        as_dots(w, side ? 1.0 : -1.0, &list); /* seen from inside: east to the left of north */
        if (nw_stars_match(&frame, &list, ret_match, NULL) == NW_OK) {
            *ret_is_mirrored = side == 1;
            status = NW_OK;
        }
    }
    free(frame.stars);
    free(list.stars);
    return status == NW_DATA
               ? nw_err_set(err, NW_DATA,
                            "%zu stars of the frame and %zu of the list do not match: check place "
                            "and focal length, or import a deeper list",
                            w->stars->n_stars, w->n)
               : status;
}

enum nw_status nw_light_find_field(const struct nw_throughput_case *what,
                                   struct nw_light_field_of_stars *ret, struct nw_err *err) {
    struct nw_match match = {0};
    bool is_mirrored = false;
    const enum nw_status status = find(what, &match, &is_mirrored, err);
    if (status == NW_OK) {
        *ret = (struct nw_light_field_of_stars){.rotation_rad = match.rotation_rad,
                                                .scale_ratio = match.scale,
                                                .rms_px = match.rms_px * COARSER,
                                                .is_mirrored = is_mirrored,
                                                .n_matched = match.n_pairs};
    }
    nw_match_done(&match);
    return status;
}

enum nw_status nw_light_throughput(const struct nw_throughput_case *w, struct nw_throughput *ret,
                                   struct nw_err *err) {
    const size_t room = w->stars->n_stars + 1;
    struct left left = {.mag = nw_calloc(room, sizeof(double)),
                        .bv = nw_calloc(room, sizeof(double)),
                        .work = nw_calloc(room, sizeof(double))};
    struct nw_throughput out = {.brightest_mag = INFINITY, .faintest_mag = -INFINITY};
    struct nw_match match = {0};
    enum nw_status status = left.mag && left.bv && left.work
                                ? find(w, &match, &out.is_mirrored, err)
                                : nw_err_set(err, NW_NOMEM, "throughput of %zu stars", room);
    if (status == NW_OK) {
        out.rotation_rad = match.rotation_rad;
        out.scale_ratio = match.scale;
        out.rms_px = match.rms_px * COARSER;
        compare(w, &match, &left, &out);
    }
    if (status == NW_OK && left.n == 0) {
        status = nw_err_set(err, NW_DATA,
                            "all %zu stars that were found are full: a shorter frame "
                            "or a narrower filter",
                            out.n_matched);
    }
    if (status == NW_OK) {
        finish(w, &left, &out);
        *ret = out;
    }
    nw_match_done(&match);
    free(left.mag);
    free(left.bv);
    free(left.work);
    return status;
}
