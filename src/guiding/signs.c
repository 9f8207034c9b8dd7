/* signs.c - whether pulses and errors of a log have signs that agree; see runs.h.
 * Idea: a loop that works pushes against the error it saw. Which row's error that was (the pulse's
 * own or the one before) differs between programs, so both are counted. */
#include <math.h>

#include "guiding/runs.h"

enum { PULSES_MIN = 10 };

static double opposed(const struct nw_guide_log *log, bool is_dec, size_t *ret_n) {
    size_t n[2] = {0, 0};
    size_t n_opposed[2] = {0, 0};
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        const double pulse = is_dec ? row->dec_pulse_s : row->ra_pulse_s;
        for (size_t back = 0; back < 2 && back <= i; back++) {
            const double e = is_dec ? row[-(ptrdiff_t)back].dec_rad : row[-(ptrdiff_t)back].ra_rad;
            if (fabs(pulse) > 0.0 && fabs(e) > 0.0) {
                n[back]++;
                n_opposed[back] += (pulse > 0.0) != (e > 0.0) ? 1 : 0;
            }
        }
    }
    *ret_n = n[0];
    if (n[0] < PULSES_MIN || n[1] < PULSES_MIN) {
        return NAN;
    }
    const double own = (double)n_opposed[0] / (double)n[0];
    const double before = (double)n_opposed[1] / (double)n[1];
    return fabs(own - 0.5) >= fabs(before - 0.5) ? own : before;
}

static bool has_star(const struct nw_guide_row *row) {
    return isfinite(row->ra_rad) && isfinite(row->dec_rad);
}

static double strength(const struct nw_guide_row *row) {
    const double ra = isfinite(row->ra_pulse_s) ? fabs(row->ra_pulse_s) : 0.0;
    const double dec = isfinite(row->dec_pulse_s) ? fabs(row->dec_pulse_s) : 0.0;
    return has_star(row) ? ra + dec : 0.0;
}

/* Sliding window: the sum of pulses within it, both ends moving forward only. */
static void find_window(const struct nw_guide_log *log, double window_s,
                        struct nw_guide_signs *ret) {
    double sum = 0.0;
    double best = -1.0;
    size_t end = 0;
    for (size_t i = 0; i < log->n; i++) {
        while (end < log->n && log->rows[end].t_s <= log->rows[i].t_s + window_s) {
            sum += strength(&log->rows[end++]);
        }
        if (has_star(&log->rows[i]) && sum > best * (1.0 + 1e-9) + 1e-9) {
            best = sum;
            ret->first = i;
            ret->last = end;
        }
        sum -= strength(&log->rows[i]);
    }
}

struct nw_guide_signs nw_guide_check_signs(const struct nw_guide_log *log, double window_s) {
    struct nw_guide_signs signs = {0};
    signs.opposed_ra = opposed(log, false, &signs.n_ra);
    signs.opposed_dec = opposed(log, true, &signs.n_dec);
    find_window(log, window_s, &signs);
    return signs;
}
