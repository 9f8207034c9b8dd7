/* mount.h - the mount as a mechanism: where everything stands, what balances it, what it touches.
 *
 * A German equatorial mount: the polar axis points to the pole above the horizon, the declination
 * axis crosses it at a right angle in the point O, the tube stands at one end of the declination
 * axis, the counterweights at the other. Frames "tube", "axis" and "ground" (east, north, up; all
 * from O) are those of struct nw_body in rig.h. Angles in radians, lengths in metres, masses in
 * kilograms. Right ascension is the turn about the polar axis, declination about the other. */
#ifndef NW_MOUNT_H
#define NW_MOUNT_H

#include "rig/rig.h"

#define NW_GRAVITY_M_S2 9.80665 /* standard gravity, 3rd CGPM (1901) */

/* ---- Attitudes ------------------------------------------------------------------------------ */

enum nw_side { NW_SIDE_EAST, NW_SIDE_WEST }; /* where the tube stands, seen from the pier */
struct nw_pose {
    double ha_rad, dec_rad; /* hour angle (west +) and declination of the optical axis */
    enum nw_side side;      /* at hour angle 0; each place of the sky is reached from both */
};

/* The axes of the frames, as columns in east, north, up: v_ground = rot v_frame.
 *   source  direction of (H, dec): REFERENCES MEC-02; declination axis = (H -+ 90 deg, 0): MEC-03
 */
struct nw_mount_frames {
    double tube[3][3], axis[3][3];
};
struct nw_mount_frames nw_mount_frames_at(double latitude_rad, const struct nw_pose *pose);

/* The middle of a body and the axes of its outline (columns), in the frame it rides on. is_open: a
 * body with a hinge is turned open. */
void nw_body_place(const struct nw_body *body, bool is_open, double at_m[static 3],
                   double turn[3][3]);

/* Hour angle and declination of a direction (azimuth from north through east), and the side on
 * which the weights hang low. */
struct nw_pose nw_mount_pose_of(double latitude_rad, double altitude_rad, double azimuth_rad);

/* ---- Mass ----------------------------------------------------------------------------------- */

/* Mass, first moment and inertia about O of all that rides on one frame. */
struct nw_mass_sum {
    double mass_kg;
    double moment_kg_m[3];       /* sum of m r */
    double moment_sigma_kg_m[3]; /* from the errors of masses and places */
    double inertia_kg_m2[3][3];  /* sum of m (r^2 delta_ij - r_i r_j), own inertia included */
    size_t n_unknown;            /* bodies without a known mass: left out */
};

/* Bodies without sigma: 1 % of the mass (a luggage scale) and 2 mm of the place (a tape measure);
 * common practice, no source. Own inertia: solid cylinder, thin-walled tube, solid box, point
 * (REFERENCES MEC-06 to MEC-10); a tube counts as all of its mass in the wall. */
void nw_mass_add(struct nw_mass_sum *sum, const struct nw_body *body, bool is_open);

/* Turning moments of the weight about the axes at one attitude [N m], right-handed about the polar
 * axis (towards the pole above the horizon) and about the declination axis (towards the saddle).
 *   source  tau = sum (r x -m g z) . a, REFERENCES MEC-04 */
struct nw_moments {
    double ra_n_m, dec_n_m;
};
struct nw_moments nw_mount_moments(double latitude_rad, const struct nw_pose *pose,
                                   const struct nw_mass_sum *tube, const struct nw_mass_sum *axis);

/* ---- Balance -------------------------------------------------------------------------------- */

struct nw_balance {
    struct nw_mass_sum tube, axis;
    /* What is left, as first moment: along the tube (+: sky end heavy), sideways (+: towards +y of
     * the tube frame), along the declination axis (+: tube end heavy), and the sideways part that
     * no weight on the shaft can take (+y of the axis frame). With their standard errors. */
    double along_kg_m, sideways_kg_m, outward_kg_m, axis_side_kg_m;
    double along_sigma_kg_m, sideways_sigma_kg_m, outward_sigma_kg_m;
    double dec_worst_n_m, ra_worst_n_m; /* largest moment over all attitudes */
    double dec_worst_sigma_n_m, ra_worst_sigma_n_m;
    double ra_inertia_kg_m2, ra_inertia_pole_kg_m2; /* tube at the equator, and at the pole */
    double dec_inertia_kg_m2;
    double load_kg;          /* all that rides on the tube frame */
    double counterweight_kg; /* all that slides along z on the axis frame */
    /* Of the shaft, where its diameter is known, else NaN: bending moment where it leaves the
     * mount (at z = 0 as an upper bound), stress there, sag of the outermost weight. Steel of
     * 200 GPa; shaft level (Roark: cantilever with point loads, M = sum m g z, sag by
     * superposition F a^2 (3 l - a) / 6EI). */
    double shaft_moment_n_m, shaft_stress_Pa, shaft_sag_m;
};

/* Of the bodies given, closed or open. DATA: nothing with a known mass rides on the tube. */
enum nw_status nw_balance_of(const struct nw_rig *rig, const struct nw_body *bodies, size_t n,
                             bool is_open, struct nw_balance *ret, struct nw_err *err) NW_CHECKED;

/* Where things go: the places of all that slides, so that nothing is left over, or as little as
 * the travels allow; what a body carries goes with it. Each direction is a problem of its own.
 * Along the tube and sideways: the least movement (of mass times way squared). Weights on the shaft
 * (z, riding on the axis frame): as a stack, in the order given, touching, which has the least
 * inertia of all arrangements of that order. */
struct nw_balance_move {
    size_t body;
    int along; /* 0 1 2 */
    double from_m, to_m;
    bool is_at_limit;
};
#define NW_BALANCE_MAX_MOVES 64
struct nw_balance_plan {
    struct nw_balance_move moves[NW_BALANCE_MAX_MOVES];
    size_t n_moves;
    double along_kg_m, sideways_kg_m, outward_kg_m; /* what is left after them */
};
/* keep_outward_kg_m: first moment left on purpose along the declination axis (+: tube heavy). */
void nw_balance_adjust(const struct nw_balance *balance, const struct nw_body *bodies, size_t n,
                       double keep_outward_kg_m, struct nw_balance_plan *ret);

/* Shifts a body and all that it carries. */
void nw_body_shift(struct nw_body *bodies, size_t n, size_t body, int along, double way_m);

/* Which of the weights to use and where: every selection of those that slide on the shaft (at most
 * 10 are tried), touching, in the order along the shaft that has the least inertia (of more than
 * six, the best that swaps of two find); by inertia about the polar axis, least first. */
struct nw_weights_choice {
    unsigned used;        /* bit k: the k-th weight */
    double place_m[10];   /* of their middles, NaN when not used */
    double inertia_kg_m2; /* of the weights alone, about the polar axis */
    double mass_kg;
    double shaft_moment_n_m;
};
struct nw_weights {
    size_t body[10];
    size_t n;
    struct nw_weights_choice *choices; /* those that balance within their travel */
    size_t n_choices;
};
enum nw_status nw_balance_weights(const struct nw_balance *balance, const struct nw_body *bodies,
                                  size_t n, struct nw_weights *ret, struct nw_err *err) NW_CHECKED;
void nw_weights_done(struct nw_weights *weights);

/* The balance with the tubes where the plan puts them and one selection of weights in its places,
 * the others taken off. */
struct nw_arrangement {
    const struct nw_balance_plan *plan;
    const struct nw_weights *weights;
    size_t choice; /* of weights->choices */
};
enum nw_status nw_balance_arranged(const struct nw_rig *rig, const struct nw_body *bodies, size_t n,
                                   const struct nw_arrangement *arrangement, struct nw_balance *ret,
                                   struct nw_err *err) NW_CHECKED;

/* What the owner found: the first moment left over along one axis (0: "it balanced like this"),
 * with its error. Corrects the masses in proportion to their errors and narrows them (one step of
 * least squares with prior, Gelb 1974, Applied Optimal Estimation, eq. 4.2-20); errors of the
 * places are allowed for, the places themselves, which the owner can read off, stay. What the
 * correction makes the masses have in common is not kept. bodies  changed in place along   0 along
 * the tube, 1 sideways, 2 along the declination axis Returns how far off the prediction was, in
 * sigmas of both together: beyond 3 something is described wrongly, which a correction would hide,
 * and nothing is changed. */
double nw_balance_learn(struct nw_body *bodies, size_t n, int along, double found_kg_m,
                        double sigma_kg_m);

#endif
