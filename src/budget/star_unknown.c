/* star_unknown.c - what the evidence does not tell, and the trial that would.
 * Idea: one width is one number. Two lines whose effects on it are both larger than its error are
 * tied together once it has been measured: with prior effects a, b and error m, their posterior
 * correlation is -ab / sqrt((m^2 + a^2)(m^2 + b^2)). Above 0.9 they are not separable. The rest
 * follows from what is missing: no frames, no log, gears whose gap the log does not tell. */
#include <math.h>

#include "budget/star_internal.h"
#include "budget/trials.h"

#define CORRELATION_MOST 0.9
#define EFFECT_LEAST 0.01 /* of the total: below that a line does not matter here */
#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

static const struct {
    enum nw_star_line_id id;
    enum nw_trial_id trial;
    const char *settles_to;
} TRIALS[] = {
    {NW_STAR_LOCAL_AIR, NW_TRIAL_FIRST_AND_THIRD_HOUR, "0.3 arcsec"},
    {NW_STAR_FOCUS, NW_TRIAL_ACROSS_A_FOCUS_RUN, "0.2 arcsec"},
    {NW_STAR_TILT_CURVATURE, NW_TRIAL_PAIR_ABOUT_FOCUS, "3 um or 3 % of tilt, with its sign"},
    {NW_STAR_LENS_COLOUR, NW_TRIAL_NARROW_AND_WIDE, "0.2 arcsec"},
    {NW_STAR_DECENTRE, NW_TRIAL_PAIR_ABOUT_FOCUS, "coma against tilt, where they agree"},
    {NW_STAR_MOTION, NW_TRIAL_SHORT_AND_LONG, "0.15 arcsec of motion and flexure"},
    {NW_STAR_FLEXURE, NW_TRIAL_SHORT_AND_LONG, "0.15 arcsec of motion and flexure"},
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

/* One of the cards of `trial`, by the name that the command takes. */
static void add_trial(struct nw_star_budget *budget, enum nw_trial_id id, const char *settles_to,
                      const char *what) {
    add(budget, nw_trial_name(id), (int)ceil(nw_trial_get(id)->minutes), settles_to, what);
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
            add_trial(budget, TRIALS[i].trial, TRIALS[i].settles_to, what);
            const int n = snprintf(names + len, sizeof names - len, "%s%s", len ? ", " : "",
                                   budget->lines[TRIALS[i].id].label);
            len += n > 0 && (size_t)n < sizeof names - len ? (size_t)n : 0;
        }
    }
    if (len > 0) {
        (void)snprintf(what, sizeof what, "the air above itself: one width holds it and %s", names);
        add_trial(budget, NW_TRIAL_DRIVE_OFF_TRAIL, "15 % of the seeing", what);
    }
}

static void backlash(const struct nw_star_evidence *evidence, struct nw_star_budget *budget) {
    char what[200];
    const struct nw_star_loop *loop = &evidence->loop;
    if (!loop->is_backlash_told) {
        (void)snprintf(what, sizeof what, "Dec backlash: %.180s",
                       loop->why_backlash[0] ? loop->why_backlash : "the log does not tell it");
        add_trial(budget, NW_TRIAL_THERE_AND_BACK, "10 ms of the gap", what);
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
        add_trial(budget, NW_TRIAL_PAIR_ABOUT_FOCUS, "3 um or 3 % of tilt, with its sign",
                  "sign of tilt and curvature: one frame shows their size only");
    }
    if (!budget->is_angle_known) {
        add(budget, "solve one frame", 1, "0.1 degree",
            "whether long stars lie along RA, Dec or the vertical: camera angle unknown");
    }
}
