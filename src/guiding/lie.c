/* lie.c - how the main frame lies on the sky, from dithers.
 * Idea: with north + i east = w for a move of the lock point and x + i y = z for the shift of the
 * frame it causes, an unmirrored frame has z = K w, a mirrored one z = K conj(w): one complex
 * number each by least squares, and the better of the two tells the mirror. arg K is the angle, |K|
 * the scale. Holds: +y at position angle A, +x a quarter turn towards west: z = i exp(-i A) w /
 * scale.
 */
#include <complex.h>
#include <math.h>

#include "guiding/flexure.h"

enum { MOVES_LEAST = 3 };
#define MOVES_SURE 0.4 /* residual over shift: above it the pairing is chance */

struct sums {
    double complex zw[2]; /* plain, mirrored */
    double ww, zz, n;
};

/* Sum of the moves between two times; false when one of them is not known. */
static bool move_between(const struct nw_guide_move *moves, size_t n, double from_s, double to_s,
                         double complex *ret) {
    size_t found = 0;
    *ret = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (moves[i].t_s >= from_s && moves[i].t_s <= to_s) {
            if (!isfinite(moves[i].east_rad) || !isfinite(moves[i].north_rad)) {
                return false;
            }
            *ret += moves[i].north_rad + I * moves[i].east_rad;
            found++;
        }
    }
    return found == 1; /* several moves add up their noise */
}

static struct sums add_up(const struct nw_guided_frame *frames, size_t n_frames,
                          const struct nw_guide_move *moves, size_t n_moves) {
    struct sums s = {.n = 0.0};
    for (size_t i = 1; i < n_frames; i++) {
        double complex w = 0.0;
        if (!move_between(moves, n_moves, frames[i - 1].end_s - 1.0, frames[i].start_s + 1.0, &w)) {
            continue;
        }
        const double complex z = frames[i].shift_px[0] - frames[i - 1].shift_px[0] +
                                 I * (frames[i].shift_px[1] - frames[i - 1].shift_px[1]);
        s.zw[0] += z * conj(w);
        s.zw[1] += z * w;
        s.ww += creal(w * conj(w));
        s.zz += creal(z * conj(z));
        s.n += 1.0;
    }
    return s;
}

void nw_camera_lie(const struct nw_guided_frame *frames, size_t n_frames,
                   const struct nw_guide_move *moves, size_t n_moves, struct nw_camera_lie *ret) {
    const struct sums s = add_up(frames, n_frames, moves, n_moves);
    *ret = (struct nw_camera_lie){
        .angle_rad = NAN, .angle_sigma_rad = NAN, .scale_rad_px = NAN, .n_moves = (size_t)s.n};
    if (s.n < MOVES_LEAST || !(s.ww > 0.0) || !(s.zz > 0.0)) {
        (void)snprintf(
            ret->why_null, sizeof ret->why_null,
            "%.0f dithers between matched frames with a star on both sides; %d are needed", s.n,
            MOVES_LEAST);
        return;
    }
    const bool is_mirrored = cabs(s.zw[1]) > cabs(s.zw[0]);
    const double complex k = s.zw[is_mirrored] / s.ww;
    /* residual of the better one, as a share of the shifts */
    const double left =
        fmax(0.0, 1.0 - creal(s.zw[is_mirrored] * conj(s.zw[is_mirrored])) / (s.ww * s.zz));
    if (sqrt(left) > MOVES_SURE) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "frames and log do not shift alike: %.0f %% of the shifts are left over",
                       100.0 * sqrt(left));
        return;
    }
    ret->is_mirrored = is_mirrored;
    /* shifts are told far better than moves: w against z, lest the noise of w make it smaller */
    ret->scale_rad_px = cabs(s.zw[is_mirrored]) / s.zz;
    /* mirrored: x is turned over, z' = -conj(z), so that -conj(k) takes the place of k */
    const double complex plain = is_mirrored ? -conj(k) : k;
    ret->angle_rad = fmod(4.0 * NW_PI - carg(plain / I), 2.0 * NW_PI);
    ret->angle_sigma_rad = sqrt(left / fmax(1.0, s.n - 1.0) / 2.0 / fmax(1e-9, 1.0 - left));
}
