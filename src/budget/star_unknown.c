/* star_unknown.c - what the evidence does not tell, and the trial that would.
 * Idea: one width is one number. Two lines whose effects on it are both larger than its error are
 * tied together once it has been measured: with prior effects a, b and error m, their posterior
 * correlation is -ab / sqrt((m^2 + a^2)(m^2 + b^2)). Above 0.9 they are not separable. The rest
 * follows from what is missing: no frames, no log, gears whose gap the log does not tell. */
#include <math.h>

#include "budget/star_internal.h"

#define CORRELATION_MOST 0.9
#define EFFECT_LEAST 0.01 /* of the total: below that a line does not matter here */
#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

static const struct {
    enum nw_star_line_id id;
    const char *trial, *settles_to;
    int minutes;
} TRIALS[] = {
    {NW_STAR_LOCAL_AIR, "first hour against third hour at one airmass", "0.3 arcsec", 20},
    {NW_STAR_FOCUS, "short subs before and after a focus run", "0.2 arcsec", 10},
    {NW_STAR_TILT_CURVATURE, "pair about focus", "3 um or 3 % of tilt, with its sign", 3},
    {NW_STAR_LENS_COLOUR, "narrow-band against luminance at fresh focus", "0.2 arcsec", 10},
    {NW_STAR_DECENTRE, "pair about focus", "coma against tilt, where they agree", 3},
    {NW_STAR_MOTION, "short and long subs by turns", "0.15 arcsec of motion and flexure", 15},
    {NW_STAR_FLEXURE, "short and long subs by turns", "0.15 arcsec of motion and flexure", 15},
};

static void add(struct nw_star_budget *budget, const char *trial, int minutes,
                const char *settles_to, const char *what) {
    if (budget->n_unknown < sizeof budget->unknown / sizeof *budget->unknown) {
        struct nw_star_unknown *unknown = &budget->unknown[budget->n_unknown++];
        *unknown =
            (struct nw_star_unknown){.trial = trial, .minutes = minutes, .settles_to = settles_to};
        nw_text_copy(unknown->what, sizeof unknown->what, what);
    }
}

static double correlation(double a, double b, double error) {
    return -a * b / sqrt((error * error + a * a) * (error * error + b * b));
}

static void tied_to_air(const double effect[NW_STAR_N_LINES], struct nw_star_budget *budget) {
    const double error = budget->measured_sigma_rad;
    const double least = EFFECT_LEAST * budget->predicted_rad;
    const double air = effect[NW_STAR_AIR_ABOVE];
    char what[200];
    char names[120] = "";
    size_t len = 0;
    for (size_t i = 0; i < sizeof TRIALS / sizeof *TRIALS; i++) {
        const double other = effect[TRIALS[i].id];
        if (fabs(other) > least && fabs(correlation(air, other, error)) > CORRELATION_MOST) {
            (void)snprintf(what, sizeof what,
                           "%s against the air above: correlation %.2f (%.2f arcsec each way)",
                           budget->lines[TRIALS[i].id].label, correlation(air, other, error),
                           ARCSEC(fabs(other)));
            add(budget, TRIALS[i].trial, TRIALS[i].minutes, TRIALS[i].settles_to, what);
            const int n = snprintf(names + len, sizeof names - len, "%s%s", len ? ", " : "",
                                   budget->lines[TRIALS[i].id].label);
            len += n > 0 && (size_t)n < sizeof names - len ? (size_t)n : 0;
        }
    }
    if (len > 0) {
        (void)snprintf(what, sizeof what, "the air above itself: one width holds it and %s", names);
        add(budget, "drive-off trail", 5, "15 % of the seeing", what);
    }
}

static void backlash(const struct nw_star_evidence *evidence, struct nw_star_budget *budget) {
    char what[200];
    const struct nw_star_loop *loop = &evidence->loop;
    if (!loop->is_backlash_told) {
        (void)snprintf(what, sizeof what, "Dec backlash: %.180s",
                       loop->why_backlash[0] ? loop->why_backlash : "the log does not tell it");
        add(budget, "there and back", 3, "10 ms of the gap", what);
    }
}

void star_find_unknown(const struct star_point *point, const struct nw_star_evidence *evidence,
                       const double effect_rad[NW_STAR_N_LINES], struct nw_star_budget *budget) {
    const struct nw_star_line *tilt = &budget->lines[NW_STAR_TILT_CURVATURE];
    if (budget->n_frames == 0) {
        add(budget, "frames of one night", 60, "the total, and what is not explained",
            "whether any of this is so: nothing has been measured");
    } else {
        tied_to_air(effect_rad, budget);
    }
    if (evidence && evidence->has_guiding) {
        budget->loop = evidence->loop;
        backlash(evidence, budget);
    } else {
        add(budget, "guide log of the same night", 0, "motion inside a sub, with bounds",
            "motion of the mount: it is the rig file's word");
    }
    const bool is_tilt_told = point->p[STAR_P_TILT].from == NW_FROM_MEASURED;
    if (tilt->is_present && !is_tilt_told && tilt->alone_rad > 0.15 * budget->predicted_rad) {
        add(budget, "pair about focus", 3, "3 um or 3 % of tilt, with its sign",
            "sign of tilt and curvature: one frame shows their size only");
    }
    if (!budget->is_angle_known) {
        add(budget, "solve one frame", 1, "0.1 degree",
            "whether long stars lie along RA, Dec or the vertical: camera angle unknown");
    }
}
