/* losses.c - the rules that tell dew, dust, haze and cloud apart; see losses.h.
 * Thresholds are common practice, no source, unless said. */
#include "look/losses.h"

#include <math.h>

#include "look/look_internal.h"

static const char *const TEXTS[][4] = {
#define X(name, word, text, rule, decides) {word, text, rule, decides},
    NW_LOSS_LIST(X)
#undef X
};
const char *nw_loss_word(enum nw_loss_id id) {
    return TEXTS[id][0];
}
const char *nw_loss_text(enum nw_loss_id id) {
    return TEXTS[id][1];
}
const char *nw_loss_rule(enum nw_loss_id id) {
    return TEXTS[id][2];
}
const char *nw_loss_decides(enum nw_loss_id id) {
    return TEXTS[id][3];
}

static const double TELLS = 0.03;      /* smaller losses are within the stars' scatter */
static const double ROUGH = 2.5;       /* back and forth */
static const double SMOOTH = 1.6;      /* one way, with noise */
static const double PATCHY = 0.03;     /* of the star ratios */
static const double STEEP_MAG = 0.35;  /* per airmass: clear air at sea level is 0.1 to 0.3 */
static const double SIGNIFICANT = 4.0; /* sigmas */

/* One rule: +1 where it holds, -1 where its opposite does, 0 where it cannot be told. */
static int rule(struct nw_buf *words, bool is_known, bool holds, bool opposite, const char *yes,
                const char *no) {
    if (!is_known || (!holds && !opposite)) {
        return 0;
    }
    nw_buf_printf(words, "%s%s", words->len ? "; " : "", holds ? yes : no);
    return holds ? 1 : -1;
}

static int judge(enum nw_loss_id id, const struct nw_loss_facts *f, struct nw_buf *words) {
    const bool has_ways = isfinite(f->roughness);
    const double slow = f->per_hour_mag / f->per_hour_sigma_mag;
    const double halo = f->halo_per_hour / f->halo_sigma;
    const bool is_rough = f->roughness > ROUGH;
    const bool is_smooth = f->roughness < SMOOTH;
    switch (id) {
    case NW_LOSS_CLOUD: /* thin cloud may well be even over a field */
        return rule(words, has_ways, is_rough, is_smooth, "comes and goes", "changes slowly") +
               rule(words, isfinite(f->patchy), f->patchy > PATCHY, false, "uneven over the field",
                    "");
    case NW_LOSS_DEW:
        return rule(words, isfinite(slow), slow > SIGNIFICANT && !is_rough, is_rough,
                    "light falls steadily", "comes and goes") +
               2 * rule(words, isfinite(halo), halo > SIGNIFICANT, fabs(halo) < 2.0,
                        "the halo grows", "the halo stays as it is");
    case NW_LOSS_HAZE:
        return rule(words, isfinite(f->slope_mag), f->slope_mag > STEEP_MAG,
                    f->slope_mag < 0.8 * STEEP_MAG, "steep with airmass",
                    "not steeper with airmass than clear air") +
               rule(words, isfinite(f->sky_with_loss), f->sky_with_loss > 0.5,
                    f->sky_with_loss < 0.0, "the sky is brighter where light is lost",
                    "the sky is not brighter where light is lost") +
               rule(words, has_ways, false, is_rough, "", "comes and goes");
    case NW_LOSS_DUST:
    case NW_N_LOSSES:
        break;
    }
    return 0;
}

struct nw_losses nw_losses_of(const struct nw_loss_facts *f) {
    struct nw_losses out = {.has_any = f->range > TELLS};
    for (int id = 0; id < NW_N_LOSSES; id++) {
        struct nw_loss one = {.id = (enum nw_loss_id)id, .is_told = id != NW_LOSS_DUST};
        struct nw_buf words;
        nw_buf_init(&words, 400);
        one.score = judge(one.id, f, &words);
        nw_text_copy(one.evidence, sizeof one.evidence,
                     !one.is_told ? "not separable in one night: it changes nothing from sub to sub"
                     : words.len  ? words.data
                                  : "nothing speaks for or against it");
        nw_buf_done(&words);
        size_t at = (size_t)id;
        while (at > 0 && one.is_told && out.items[at - 1].score < one.score) {
            out.items[at] = out.items[at - 1];
            at--;
        }
        out.items[at] = one;
    }
    out.is_clear = out.items[0].score > 0 && out.items[0].score >= out.items[1].score + 2;
    return out;
}

/* ---- Facts of a group ------------------------------------------------------------------------ */

static double correlation(const struct look_series *a) { /* of x and y */
    double mx = 0.0;
    double my = 0.0;
    for (size_t i = 0; i < a->n; i++) {
        mx += a->x[i] / (double)a->n;
        my += a->y[i] / (double)a->n;
    }
    double xx = 0.0;
    double yy = 0.0;
    double xy = 0.0;
    for (size_t i = 0; i < a->n; i++) {
        xx += (a->x[i] - mx) * (a->x[i] - mx);
        yy += (a->y[i] - my) * (a->y[i] - my);
        xy += (a->x[i] - mx) * (a->y[i] - my);
    }
    return xx > 0.0 && yy > 0.0 ? xy / sqrt(xx * yy) : NAN;
}

void look_losses(const struct nw_look *look, struct nw_look_group *group,
                 struct look_series *series) {
    const struct nw_look_light *const light = &group->light;
    const double slope = isfinite(light->slope_mag) ? fmax(0.0, light->slope_mag) : 0.0;
    struct nw_loss_facts f = {.n = light->n,
                              .range = NAN,
                              .roughness = NAN,
                              .patchy = NAN,
                              .per_hour_mag = NAN,
                              .per_hour_sigma_mag = NAN,
                              .slope_mag = light->slope_mag,
                              .sky_with_loss = NAN};
    double low = INFINITY;
    double high = -INFINITY;
    double way = 0.0;
    double last = NAN;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) { /* in order of time */
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        const double above =
            isfinite(frame->airmass) ? frame->airmass - group->width.airmass_low : 0.0;
        const double mag = -2.5 * log10(frame->transmission.value) - slope * above;
        if (!isfinite(mag)) {
            continue;
        }
        low = fmin(low, mag);
        high = fmax(high, mag);
        way += isfinite(last) ? fabs(mag - last) : 0.0;
        last = mag;
        look_series_add(series, group->frames[i], frame->t_mid_s / 3600.0, mag);
    }
    if (series->n >= LOOK_SLOPE_FRAMES && high > low) {
        const struct nw_look_line line = look_line(series);
        f.range = 1.0 - pow(10.0, -0.4 * (high - low));
        f.roughness = way / (high - low);
        f.per_hour_mag = line.slope;
        f.per_hour_sigma_mag = line.slope_sigma;
    }
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        const double mag = -2.5 * log10(frame->transmission.value);
        look_series_add(series, group->frames[i], mag,
                        frame->measure ? frame->measure->background_adu : NAN);
        if (mag > low + 0.7 * (high - low)) {
            f.patchy = fmax(isfinite(f.patchy) ? f.patchy : 0.0, frame->transmission.patchy);
        }
    }
    f.sky_with_loss = series->n >= LOOK_SLOPE_FRAMES ? correlation(series) : NAN;
    const struct nw_look_trend *const halo = &group->aspects.halo;
    const double usual = 0.5 * (halo->first + halo->last);
    f.halo_per_hour = halo->per_hour.slope / usual;
    f.halo_sigma = halo->per_hour.slope_sigma / usual;
    group->losses = nw_losses_of(&f);
}
