/* back_focus.c - lengths and glass from corrector to sensor; see back_focus.h.
 * Idea: needed = asked for - (datum to shoulder) + sum of glass shifts not in the maker's figure;
 * error = pieces + rings + camera - needed. All lengths are independent. */
#include <math.h>

#include "budget/back_focus.h"

#define INDEX_UNSAID 1.52 /* crown and window glasses lie within 1.47 and 1.59 */
#define INDEX_SIGMA_UNSAID 0.03

static double sigma_of(const struct nw_val *val) {
    return isfinite(val->sigma) ? val->sigma : 0.0;
}

static struct nw_val length_of(const struct nw_val *val) {
    struct nw_val ret = *val;
    if (!isfinite(ret.sigma)) {
        ret.sigma = NW_LENGTH_SIGMA_UNSAID_M;
    }
    return ret;
}

static bool is_known(const struct nw_val *val) {
    return val->from != NW_FROM_UNKNOWN && isfinite(val->v);
}

static struct nw_val index_of(const struct nw_val *given, const char *word, double wavelength_m) {
    enum nw_glass glass = NW_GLASS_N_BK7;
    if (is_known(given)) {
        return *given;
    }
    if (nw_glass_find(word, &glass) && isfinite(nw_glass_index(glass, wavelength_m))) {
        return (struct nw_val){nw_glass_index(glass, wavelength_m), 0.0, NW_FROM_GIVEN};
    }
    return (struct nw_val){INDEX_UNSAID, INDEX_SIGMA_UNSAID, NW_FROM_ASSUMED};
}

/* shift = t (1 - 1/n): d/dt = 1 - 1/n, d/dn = t/n^2. */
static struct nw_plate plate_of(const struct nw_val *thickness, const struct nw_val *index,
                                const char *word, double wavelength_m) {
    struct nw_plate plate = {.thickness_m = *thickness,
                             .index = index_of(index, word, wavelength_m)};
    const double t = thickness->v;
    const double n = plate.index.v;
    plate.shift_m.v = nw_optics_glass_shift_m(t, n);
    plate.shift_m.sigma =
        hypot((1.0 - 1.0 / n) * sigma_of(thickness), t / (n * n) * sigma_of(&plate.index));
    plate.shift_m.from = thickness->from == NW_FROM_ASSUMED || plate.index.from == NW_FROM_ASSUMED
                             ? NW_FROM_ASSUMED
                             : thickness->from;
    return plate;
}

/* yes: in the maker's figure, asks for nothing; no: for all of it; unsaid: half, +- half. */
static void count_plate(struct nw_plate *plate, const char *is_included) {
    const bool is_unsaid = is_included[0] == 'u';
    plate->counted = is_unsaid ? 0.5 : is_included[0] == 'y' ? 0.0 : 1.0;
    plate->asked_m = plate->counted * plate->shift_m.v;
    plate->asked_sigma_m =
        hypot(plate->counted * plate->shift_m.sigma, is_unsaid ? 0.5 * plate->shift_m.v : 0.0);
}

/* Thickness where nobody gave one: common practice, no source. */
static struct nw_val thickness_or(const struct nw_val *given, double v_m, double sigma_m) {
    return is_known(given) ? *given : (struct nw_val){v_m, sigma_m, NW_FROM_ASSUMED};
}

static void add(struct nw_val *sum, const struct nw_val *part) {
    const struct nw_val length = length_of(part);
    sum->v += length.v;
    sum->sigma = hypot(sum->sigma, length.sigma);
}

static enum nw_status check(const struct nw_setup *s, struct nw_err *err) {
    if (!s->has_corrector) {
        return nw_err_set(err, NW_NOTFOUND,
                          "setup %s has no corrector: the focuser sets the back focus", s->name);
    }
    if (!is_known(&s->corrector.back_focus_m)) {
        return nw_err_set(
            err, NW_NOTFOUND,
            "correctors.%s.back_focus is not in the rig file: nothing to compare with",
            s->corrector.name);
    }
    if (!is_known(&s->camera.flange_m)) {
        return nw_err_set(err, NW_NOTFOUND,
                          "cameras.%s.flange is not in the rig file: where the sensor stands is "
                          "not known",
                          s->camera.name);
    }
    return NW_OK;
}

static void plates_of(const struct nw_setup *s, struct nw_back_focus *f) {
    const double wavelength_m = s->filter.centre_m.v;
    f->has_filter = s->n_filters > 0 || is_known(&s->filter.thickness_m);
    if (f->has_filter) {
        const struct nw_val t = thickness_or(&s->filter.thickness_m, 2e-3, 0.6e-3);
        f->filter = plate_of(&t, &s->filter.index, s->filter.glass, wavelength_m);
        count_plate(&f->filter, s->corrector.includes_filter);
    }
    const struct nw_val t = thickness_or(&s->camera.window_m, 1.5e-3, 0.7e-3);
    f->window = plate_of(&t, &s->camera.window_index, s->camera.window_glass, wavelength_m);
    count_plate(&f->window, s->corrector.includes_window);
    for (size_t i = 0; i < s->n_pieces; i++) {
        const struct nw_val none = {0.0, 0.0, NW_FROM_GIVEN};
        const struct nw_piece *const piece = &s->pieces[i];
        f->plates[i] = plate_of(is_known(&piece->glass_m) ? &piece->glass_m : &none, &piece->index,
                                piece->glass, wavelength_m);
        count_plate(&f->plates[i], "no");
    }
}

/* m = f_with / f_without; spacing s0 (1 - m)/(1 - m0) (thin corrector, spacing.h). */
static void compare_scale(const struct nw_setup *s, struct nw_back_focus *f) {
    const struct nw_val *const with = &s->focal_length_m;
    const struct nw_val *const without = &s->telescope.focal_length_m;
    const struct nw_val *const m0 = &s->corrector.magnification;
    const double s0_m = f->asked_m.v;
    const double lever_m = s0_m / fabs(1.0 - m0->v);
    f->from_scale = (struct nw_val){NAN, NAN, NW_FROM_UNKNOWN};
    if (fabs(1.0 - m0->v) < 0.02) {
        (void)snprintf(f->why_null, sizeof f->why_null,
                       "a corrector of %.3gx hardly changes its scale with the spacing", m0->v);
        return;
    }
    if (with->from != NW_FROM_MEASURED || without->from != NW_FROM_MEASURED ||
        !isfinite(with->sigma) || !isfinite(without->sigma)) {
        (void)snprintf(f->why_null, sizeof f->why_null,
                       "makers' focal lengths, good to 1 %%, leave +- %.1f mm; needs one solved "
                       "frame with and one without the corrector (focal_length, from: measured)",
                       0.01 * m0->v * lever_m * 1e3);
        return;
    }
    const double m = with->v / without->v;
    const double share = hypot(with->sigma / with->v, without->sigma / without->v);
    const double by_nominal_m = s0_m * (1.0 - m) / pow(1.0 - m0->v, 2.0) * sigma_of(m0);
    f->from_scale.v = nw_optics_spacing_of_magnification_m(m0->v, s0_m, m) - s0_m;
    f->from_scale.sigma = hypot(lever_m * m * share, by_nominal_m);
    f->from_scale.from = NW_FROM_MEASURED;
}

enum nw_status nw_back_focus_of(const struct nw_setup *s, struct nw_back_focus *ret,
                                struct nw_err *err) {
    const enum nw_status status = check(s, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_back_focus f = {.asked_m = length_of(&s->corrector.back_focus_m),
                              .shoulder_m = s->corrector.shoulder_m,
                              .tolerance_m = s->corrector.back_focus_tolerance_m.v};
    plates_of(s, &f);
    double variance = pow(f.asked_m.sigma, 2.0) + pow(sigma_of(&f.shoulder_m), 2.0) +
                      pow(f.filter.asked_sigma_m, 2.0) + pow(f.window.asked_sigma_m, 2.0);
    f.needed_m.v = f.asked_m.v - f.shoulder_m.v + f.filter.asked_m + f.window.asked_m;
    for (size_t i = 0; i < s->n_pieces; i++) {
        f.needed_m.v += f.plates[i].asked_m;
        variance += pow(f.plates[i].asked_sigma_m, 2.0);
        add(&f.fixed_m, &s->pieces[i].length_m);
    }
    f.needed_m.sigma = sqrt(variance);
    add(&f.fixed_m, &s->camera.flange_m);
    for (size_t i = 0; i < s->n_rings; i++) {
        add(&f.rings_m, &s->rings[i].length_m);
    }
    f.error_m.v = f.fixed_m.v + f.rings_m.v - f.needed_m.v;
    f.error_m.sigma = hypot(f.needed_m.sigma, hypot(f.fixed_m.sigma, f.rings_m.sigma));
    f.needed_m.from = f.fixed_m.from = f.rings_m.from = f.error_m.from = NW_FROM_GIVEN;
    /* 95 %, and never below a quarter: rings in finer steps than that are not to be had */
    f.ring_tolerance_m = fmax(f.tolerance_m - 1.96 * f.error_m.sigma, 0.25 * f.tolerance_m);
    f.scale_per_m = nw_optics_scale_per_spacing_per_m(s->corrector.magnification.v, f.asked_m.v);
    compare_scale(s, &f);
    *ret = f;
    return NW_OK;
}

enum nw_status nw_back_focus_rings(const struct nw_rig *rig, const struct nw_back_focus *focus,
                                   struct nw_ring_answer *ret, struct nw_err *err) {
    struct nw_ring rings[NW_RINGS_MAX];
    double gap_m = focus->needed_m.v - focus->fixed_m.v;
    if (gap_m < -focus->tolerance_m) {
        return nw_err_set(err, NW_DOMAIN,
                          "pieces and camera alone are %.2f mm too long: no ring helps, a shorter "
                          "piece does",
                          -gap_m * 1e3);
    }
    if (rig->n_spacers > NW_RINGS_MAX) {
        return nw_err_set(err, NW_LIMIT, "%zu sizes of rings, at most %d are tried", rig->n_spacers,
                          NW_RINGS_MAX);
    }
    for (size_t i = 0; i < rig->n_spacers; i++) {
        const struct nw_val length = length_of(&rig->spacers[i].length_m);
        rings[i] = (struct nw_ring){length.v, length.sigma, (size_t)rig->spacers[i].count.v};
    }
    gap_m = fmax(gap_m, 0.0);
    enum nw_status status = nw_rings_solve(rings, rig->n_spacers, gap_m, focus->ring_tolerance_m,
                                           NW_RINGS_IN_SET, ret, err);
    if (status != NW_OK || ret->n_sets > 0) {
        return status;
    }
    /* none is sure to do: those that are within the maker's tolerance as far as is known */
    struct nw_ring_answer wide;
    status = nw_rings_solve(rings, rig->n_spacers, gap_m, focus->tolerance_m, NW_RINGS_IN_SET,
                            &wide, err);
    if (status == NW_OK) {
        ret->n_fitting = wide.n_fitting;
        for (size_t i = 0; i < wide.n_sets; i++) { /* the nearest first */
            size_t at = ret->n_sets++;
            for (; at > 0 && fabs(ret->sets[at - 1].error_m) > fabs(wide.sets[i].error_m) + 1e-9;
                 at--) {
                ret->sets[at] = ret->sets[at - 1];
            }
            ret->sets[at] = wide.sets[i];
        }
    }
    return status;
}

void nw_back_focus_ring_list(const struct nw_rig *rig, const struct nw_ring_set *set, char *text,
                             size_t size) {
    size_t len = 0;
    nw_text_copy(text, size, "[");
    len = strlen(text);
    for (size_t i = 0; i < rig->n_spacers; i++) {
        for (size_t k = 0; k < set->n_of[i]; k++) {
            const int n =
                snprintf(text + len, size - len, "%s%s", len > 1 ? ", " : "", rig->spacers[i].name);
            len += n > 0 && (size_t)n < size - len ? (size_t)n : 0;
        }
    }
    (void)snprintf(text + len, size - len, "]");
}

struct nw_val nw_back_focus_parfocal_m(const struct nw_setup *setup,
                                       const struct nw_filter *filter) {
    const struct nw_filter *const judged = &setup->filter;
    struct nw_val ret = {NAN, NAN, NW_FROM_UNKNOWN};
    if (!is_known(&judged->thickness_m) || !is_known(&filter->thickness_m)) {
        return ret;
    }
    const struct nw_plate here =
        plate_of(&judged->thickness_m, &judged->index, judged->glass, judged->centre_m.v);
    const struct nw_plate there =
        plate_of(&filter->thickness_m, &filter->index, filter->glass, filter->centre_m.v);
    ret.v = there.shift_m.v - here.shift_m.v;
    ret.sigma = hypot(there.shift_m.sigma, here.shift_m.sigma);
    ret.from = there.shift_m.from == NW_FROM_ASSUMED || here.shift_m.from == NW_FROM_ASSUMED
                   ? NW_FROM_ASSUMED
                   : there.shift_m.from;
    return ret;
}

struct nw_val nw_back_focus_change_m(double scale_per_m, const struct nw_val *before_m,
                                     const struct nw_val *after_m) {
    const double ratio = after_m->v / before_m->v;
    const double share = hypot(sigma_of(before_m) / before_m->v, sigma_of(after_m) / after_m->v);
    /* 2 % from 1x: below 0.04 % a millimetre at 50 mm, the scale of a frame shows nothing */
    if (!(fabs(scale_per_m) > 0.35)) {
        return (struct nw_val){NAN, NAN, NW_FROM_UNKNOWN};
    }
    return (struct nw_val){(ratio - 1.0) / scale_per_m, ratio * share / fabs(scale_per_m),
                           NW_FROM_MEASURED};
}

struct nw_spacing_response nw_back_focus_response(const struct nw_val *curvature_before_m,
                                                  const struct nw_val *curvature_after_m,
                                                  const struct nw_val *change_m) {
    const double c1 = curvature_before_m->v;
    const double c2 = curvature_after_m->v;
    const double d = change_m->v;
    const double s1 = sigma_of(curvature_before_m);
    const double s2 = sigma_of(curvature_after_m);
    struct nw_spacing_response ret;
    ret.per_m.v = (c2 - c1) / d;
    ret.per_m.sigma = hypot(hypot(s1, s2), ret.per_m.v * sigma_of(change_m)) / fabs(d);
    /* more = -c2 d / (c2 - c1) */
    const double difference = c2 - c1;
    ret.more_m.v = -c2 * d / difference;
    ret.more_m.sigma = hypot(hypot(c1 * d * s2, c2 * d * s1) / (difference * difference),
                             c2 / difference * sigma_of(change_m));
    ret.per_m.from = ret.more_m.from = NW_FROM_MEASURED;
    return ret;
}
