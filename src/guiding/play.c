/* play.c - the play operator: the axis follows the motor only at either end of the gap.
 * Idea: place g in the gap, 0 <= g <= gap; what would push it out moves the axis. The path is
 * piecewise linear in gap, start and responses, so that its derivatives come along in the same
 * walk. Paper: Krasnosel'skii & Pokrovskii 1989, Systems with Hysteresis, sec. 2 (play). */
#include "guiding/play.h"

#include <math.h>

enum nw_status nw_guide_moves_init(const struct nw_guide_log *log, const struct guide_cut *cut,
                                   bool is_dec, enum nw_pulse_acts acts, struct guide_moves *ret,
                                   struct nw_err *err) {
    struct guide_moves m = {.pulse_s = nw_calloc(log->n + 1, sizeof *m.pulse_s),
                            .before = nw_calloc(cut->n_keep + 1, sizeof *m.before)};
    if (!m.pulse_s || !m.before) {
        nw_guide_moves_done(&m);
        return nw_err_set(err, NW_NOMEM, "pulses of %zu guide rows", log->n);
    }
    for (size_t i = 0; i < log->n; i++) {
        const double p = is_dec ? log->rows[i].dec_pulse_s : log->rows[i].ra_pulse_s;
        const bool is_sent = isfinite(p) && fabs(p) > 0.0;
        if (is_sent && acts == NW_PULSE_ACTS_BEFORE) {
            m.pulse_s[m.n++] = p;
        }
        if (cut->keep[i]) {
            m.before[m.n_samples++] = m.n;
        }
        if (is_sent && acts != NW_PULSE_ACTS_BEFORE) {
            m.pulse_s[m.n++] = p;
        }
    }
    *ret = m;
    return NW_OK;
}

void nw_guide_moves_done(struct guide_moves *moves) {
    if (moves) {
        free(moves->pulse_s);
        free(moves->before);
        *moves = (struct guide_moves){0};
    }
}

/* The gears in the middle of their work. */
struct gears {
    double place_rad, axis_rad;
    int side; /* flank touched last */
    size_t crossings;
};

/* One pulse; returns the part that moved the axis as a whole. *ret_flank: +1, -1 or 0. */
static double turn(const struct guide_play *play, struct gears *g, double move_rad,
                   int *ret_flank) {
    const double to = g->place_rad + move_rad;
    double pushed = 0.0;
    *ret_flank = 0;
    g->place_rad = to;
    if (to > play->gap_rad) {
        pushed = to - play->gap_rad;
        g->place_rad = play->gap_rad;
        *ret_flank = 1;
    } else if (to < 0.0) {
        pushed = to;
        g->place_rad = 0.0;
        *ret_flank = -1;
    }
    g->axis_rad += pushed + play->leak * (move_rad - pushed);
    g->crossings += *ret_flank * g->side < 0 ? 1 : 0;
    g->side = *ret_flank != 0 ? *ret_flank : g->side;
    return pushed;
}

static double move_of(const struct guide_play *play, double pulse_s) {
    return (pulse_s > 0.0 ? play->up : play->down) * pulse_s;
}

/* Derivatives of place and axis over one pulse. */
static void turn_slopes(const struct guide_play *play, double pulse_s, double pushed, int flank,
                        double place[PLAY_N], double axis[PLAY_N]) {
    const double move[PLAY_N] = {[PLAY_UP] = fmax(pulse_s, 0.0), [PLAY_DOWN] = fmin(pulse_s, 0.0)};
    for (int i = 0; i < PLAY_N; i++) {
        const double edge = i == PLAY_GAP && flank > 0 ? 1.0 : 0.0; /* d(flank)/d(gap) */
        const double out = flank != 0 ? place[i] + move[i] - edge : 0.0;
        axis[i] += out + play->leak * (move[i] - out);
        place[i] = flank != 0 ? edge : place[i] + move[i];
    }
    axis[PLAY_LEAK] += move_of(play, pulse_s) - pushed;
}

size_t nw_guide_play_path(const struct guide_moves *moves, const struct guide_play *play,
                          double *path_rad, double *const *slopes) {
    struct gears gears = {.place_rad = play->start * play->gap_rad};
    double place[PLAY_N] = {[PLAY_GAP] = play->start, [PLAY_START] = play->gap_rad};
    double axis[PLAY_N] = {0};
    size_t j = 0;
    for (size_t k = 0; k < moves->n_samples; k++) {
        for (; j < moves->before[k]; j++) {
            int flank = 0;
            const double pushed = turn(play, &gears, move_of(play, moves->pulse_s[j]), &flank);
            if (slopes) {
                turn_slopes(play, moves->pulse_s[j], pushed, flank, place, axis);
            }
        }
        path_rad[k] = gears.axis_rad;
        for (int i = 0; slopes && i < PLAY_N; i++) {
            slopes[i][k] = axis[i];
        }
    }
    return gears.crossings;
}

void nw_guide_play_rows(const struct nw_guide_log *log, bool is_dec, enum nw_pulse_acts acts,
                        const struct guide_play *play, double *path_rad) {
    struct gears gears = {.place_rad = play->start * play->gap_rad};
    int flank = 0;
    for (size_t i = 0; i < log->n; i++) {
        const double p = is_dec ? log->rows[i].dec_pulse_s : log->rows[i].ra_pulse_s;
        const bool is_sent = isfinite(p);
        if (is_sent && acts == NW_PULSE_ACTS_BEFORE) {
            (void)turn(play, &gears, move_of(play, p), &flank);
        }
        path_rad[i] = gears.axis_rad;
        if (is_sent && acts != NW_PULSE_ACTS_BEFORE) {
            (void)turn(play, &gears, move_of(play, p), &flank);
        }
    }
}

double nw_guide_play_most_rad(const struct guide_moves *moves, double up, double down) {
    double at = 0.0;
    double low = 0.0;
    double high = 0.0;
    double rise = 0.0; /* largest way up from a low, down from a high */
    double fall = 0.0;
    for (size_t j = 0; j < moves->n; j++) {
        at += (moves->pulse_s[j] > 0.0 ? up : down) * moves->pulse_s[j];
        low = fmin(low, at);
        high = fmax(high, at);
        rise = fmax(rise, at - low);
        fall = fmax(fall, high - at);
    }
    return fmin(rise, fall);
}
