/* subs.c - how long a sub should be, and at which gain; see light.h.
 * Idea: two losses of time pull apart: reads cost R2/t against B, pauses cost a share 1/t of the
 * night; above, stars and sky fill the pixel. The yield is flat about its best: the shortest length
 * within 3 % of it is taken, since short subs lose less to a passing aircraft or gust. */
#include <math.h>

#include "light/light.h"
#include "sky/sky.h"

static const double NEAR_BEST = 0.97;

struct nw_light_wishes nw_light_wishes_usual(void) {
    /* a tenth of full scale for the sky, 5 s between subs: common practice, no source */
    return (struct nw_light_wishes){.read_loss = 0.05,
                                    .saturated_most = INFINITY,
                                    .sky_room = 0.1,
                                    .longest_s = 1200.0,
                                    .between_s = 5.0};
}

static double floor_e_s(const struct nw_light_rates *r) {
    return r->dark_sky_e_s + r->moon_e_s + r->twilight_e_s + r->dark_e_s;
}

/* A star whose middle pixel gets so much is full after sub_s, on top of the sky. */
static double full_peak_e_s(const struct nw_light_rates *r, double sub_s) {
    return fmax(0.0, r->full_scale_e / sub_s - floor_e_s(r) - r->surface_e_s);
}

static double mag_of_peak(const struct nw_light_rates *r, double e_s_of_mag0, double peak_e_s) {
    return -2.5 * log10(peak_e_s / (r->peak_share * e_s_of_mag0));
}

static double full_stars(const struct nw_light_rates *r, double e_s_of_mag0,
                         const struct nw_light_field *field, double sub_s) {
    const double peak = full_peak_e_s(r, sub_s);
    if (field && field->peak_e_s) {
        size_t n = 0;
        while (n < field->n && field->peak_e_s[n] >= peak) {
            n++;
        }
        return (double)n;
    }
    return field ? field->area_deg2 * nw_sky_stars_per_deg2(mag_of_peak(r, e_s_of_mag0, peak),
                                                            field->galactic_latitude_rad)
                 : NAN;
}

struct nw_light_sub nw_light_sub_at(const struct nw_light_rates *r, double e_s_of_mag0,
                                    const struct nw_light_field *field,
                                    const struct nw_light_wishes *w, double sub_s) {
    const double b = floor_e_s(r);
    const double read = (r->read_e2 + r->rounding_e2) / sub_s;
    struct nw_light_sub p = {.sub_s = sub_s};
    p.read_loss = read / (b + read);
    p.between_loss = w->between_s / (sub_s + w->between_s);
    p.yield = (1.0 - p.read_loss) * (1.0 - p.between_loss);
    p.saturated_mag =
        isnan(e_s_of_mag0) ? NAN : mag_of_peak(r, e_s_of_mag0, full_peak_e_s(r, sub_s));
    p.saturated = full_stars(r, e_s_of_mag0, field, sub_s);
    p.sky_full = b * sub_s / r->full_scale_e;
    return p;
}

/* The longest sub that leaves not more stars full than wished: by halving, since it only grows. */
static double stars_allow_s(const struct nw_light_rates *r, double e_s_of_mag0,
                            const struct nw_light_field *field, const struct nw_light_wishes *w) {
    double low = 1e-3;
    double high = w->longest_s;
    if (!field || !isfinite(w->saturated_most) ||
        full_stars(r, e_s_of_mag0, field, high) <= w->saturated_most) {
        return INFINITY;
    }
    for (int i = 0; i < 50; i++) {
        const double middle = sqrt(low * high);
        const bool is_kept = full_stars(r, e_s_of_mag0, field, middle) <= w->saturated_most;
        low = is_kept ? middle : low;
        high = is_kept ? high : middle;
    }
    return low;
}

/* Limits from the exact formulas. */
static void limits(const struct nw_light_rates *r, double e_s_of_mag0,
                   const struct nw_light_field *field, const struct nw_light_wishes *w,
                   struct nw_light_subs *out) {
    const double b = floor_e_s(r);
    const double sky_s = fmax(1.0, w->sky_room * r->full_scale_e / b);
    const double stars_s = stars_allow_s(r, e_s_of_mag0, field, w);
    out->least_s = (r->read_e2 + r->rounding_e2) * (1.0 - w->read_loss) / (w->read_loss * b);
    out->most_s = fmin(w->longest_s, fmin(sky_s, stars_s));
    out->most_by = "longest";
    if (out->most_s < w->longest_s) {
        out->most_by = stars_s < sky_s ? "stars" : "sky";
    }
    out->is_empty = out->least_s > out->most_s;
}

struct nw_light_subs nw_light_subs_of(const struct nw_light_rates *r, double e_s_of_mag0,
                                      const struct nw_light_field *field,
                                      const struct nw_light_wishes *w) {
    static const double LENGTHS[NW_LIGHT_SUBS] = {1,  2,   5,   10,  15,  20,  30,  45,  60,
                                                  90, 120, 180, 240, 300, 420, 600, 900, 1200};
    struct nw_light_subs out = {.n = NW_LIGHT_SUBS};
    double best = 0.0;
    limits(r, e_s_of_mag0, field, w, &out);
    for (size_t i = 0; i < out.n; i++) {
        out.curve[i] = nw_light_sub_at(r, e_s_of_mag0, field, w, LENGTHS[i]);
        if (LENGTHS[i] <= out.most_s) {
            best = fmax(best, out.curve[i].yield);
            out.best = i; /* without one inside the range: the longest that is allowed */
        }
    }
    out.from = out.to = out.best;
    bool is_found = false;
    for (size_t i = 0; i < out.n; i++) {
        const bool is_inside = LENGTHS[i] >= out.least_s && LENGTHS[i] <= out.most_s;
        if (is_inside && out.curve[i].yield >= NEAR_BEST * best) {
            out.from = is_found ? out.from : i;
            out.to = i;
            is_found = true;
        }
    }
    out.best = is_found ? out.from : out.best;
    return out;
}

void nw_light_set_gain(const struct nw_camera_setting *setting, struct nw_camera *camera) {
    camera->gain_e_per_adu = setting->gain_e_per_adu;
    camera->read_noise_e = setting->read_noise_e;
    camera->full_scale_e = setting->full_scale_e;
}

size_t nw_light_gains(const struct nw_light_case *what, const struct nw_light_band *band,
                      const struct nw_light_field *field, const struct nw_light_wishes *w,
                      struct nw_light_gain ret[static NW_RIG_MAX_SETTINGS]) {
    const struct nw_camera *const camera = &what->setup->camera;
    const double e_s = nw_light_e_s_of_mag(what->setup, band, 0.0);
    const double pixels = pow(fmax(1.0, what->setup->binning.v), 2.0);
    struct nw_light_rates r = nw_light_rates_of(what, band);
    double best = 0.0;
    for (size_t i = 0; i < camera->n_settings; i++) {
        const struct nw_camera_setting *const s = &camera->settings[i];
        const double step2 = pow(s->gain_e_per_adu.v, 2.0) / 12.0;
        const double read2 = pow(s->read_noise_e.v, 2.0);
        r.rounding_e2 = fmin(step2, read2) * pixels;
        r.read_e2 = fmax(0.0, read2 - step2) * pixels;
        r.full_scale_e = s->full_scale_e.v * pixels;
        ret[i] = (struct nw_light_gain){s, nw_light_subs_of(&r, e_s, field, w)};
        best = fmax(best,
                    ret[i].subs.curve[ret[i].subs.best].yield * (ret[i].subs.is_empty ? 0.5 : 1.0));
    }
    size_t out = SIZE_MAX;
    for (size_t i = 0; i < camera->n_settings; i++) {
        const double yield =
            ret[i].subs.curve[ret[i].subs.best].yield * (ret[i].subs.is_empty ? 0.5 : 1.0);
        const bool is_wider =
            out == SIZE_MAX || ret[i].setting->full_scale_e.v > ret[out].setting->full_scale_e.v;
        out = yield >= 0.99 * best && is_wider ? i : out;
    }
    return out;
}
