/* field_internal.h - what the files of this folder share: cells of the field, the joint fit. */
#ifndef NW_FIELD_INTERNAL_H
#define NW_FIELD_INTERNAL_H

#include "field/blur.h"
#include "field/field.h"

enum { FIELD_CELLS_MAX = 54, FIELD_FRAMES_MAX = 200, FIELD_CELL_STARS = 4, FIELD_TABLES_MAX = 24 };

/* ---- cells.c ---- */

/* A grid over the frame, the same for all frames of a job. */
struct field_grid {
    size_t nx, ny;
    double u_max, v_max; /* half the sides, in half diagonals */
};
/* As fine as about twelve stars a cell allow, 3 x 2 to 9 x 6. */
struct field_grid field_grid_for(const struct nw_field_frame *frame, size_t n_stars);

struct field_cell {    /* medians over its stars, with their standard errors */
    double u, v, rho2; /* means */
    size_t n;
    double r_px, ln_sigma;           /* half-light radius, its relative error */
    double e1, e2, e_sigma, fwhm_px; /* NaN: too few profiles */
};
/* ret: nx * ny cells, n = 0 where there are fewer than FIELD_CELL_STARS stars. */
enum nw_status field_cells_fill(const struct nw_field_frame *frame, const struct field_grid *grid,
                                struct field_cell *ret, struct nw_err *err) NW_CHECKED;

/* ---- fit.c ---- */

/* Heights in the job's unit U: metres or focuser steps. */
struct field_obs {
    size_t frame, cell;
    double u, v, rho2, ln_r, sigma;
};
enum field_par {
    FIELD_Z0,
    FIELD_A,
    FIELD_B,
    FIELD_C,
    FIELD_GROWTH, /* of ln width per rho2 */
    FIELD_LNK,    /* px of blur disc per U */
    FIELD_BACK,   /* play: frames approached inwards stand so much farther out */
    FIELD_MU,     /* mean of ln width */
    FIELD_W       /* + frame: ln width */
};
struct field_prior {
    double mean, sigma; /* sigma 0: not free; infinite: free */
};
struct field_job {
    const struct field_blur *const *blur; /* of each frame */
    const struct field_obs *obs;
    size_t n_obs, n_frames;
    const double *place; /* of the sensor in each frame, U */
    const bool *is_inward;
    struct field_prior prior[FIELD_W]; /* of MU: free */
    double width_scatter;              /* prior of ln width about MU */
};
struct field_solution {
    size_t n_par;
    double *par, *cov;   /* FIELD_W + n_frames; square. The covariance is widened by the misfit. */
    double *pull;        /* of each observation, in its sigmas */
    double cost, misfit; /* with the errors as stated; robust rms of the pulls */
};
enum nw_status field_solution_init(const struct field_job *job, struct field_solution *ret,
                                   struct nw_err *err) NW_CHECKED;
void field_solution_done(struct field_solution *solution);
/* Levenberg-Marquardt with Huber's weights from what stands in par. DATA: no finite cost. */
enum nw_status field_fit(const struct field_job *job, struct field_solution *solution,
                         struct nw_err *err) NW_CHECKED;
/* ln r predicted for an observation with its derivatives by height of best focus and others. */
double field_predict(const struct field_job *job, const double *par, const struct field_obs *obs,
                     double by[static FIELD_W], double *ret_by_width);

/* ---- surface.c, surface_result.c ---- */

struct surface_job {
    const struct nw_field_frame *frames;
    size_t n_frames;
    const struct nw_field_opts *opts;
    enum nw_surface_method method;
    size_t *used; /* indices of frames */
    size_t n_used;
    struct field_grid grid;
    struct field_cell *cells; /* of used frame i at i * nx * ny */
    struct field_obs *obs;
    double *place;   /* U */
    bool *is_inward; /* approached from outside */
    bool has_backlash;
    bool is_side_known;    /* of one frame: its baseline told the sign */
    bool is_metric;        /* U is the metre, else the step, or (SINGLE) a pixel of blur */
    double ref_steps, k_m; /* px of blur per metre; NaN */
    struct field_blur *tables[FIELD_TABLES_MAX]; /* one for each aperture radius */
    int table_key[FIELD_TABLES_MAX];
    size_t n_tables;
    const struct field_blur **blur; /* of each used frame, borrowed from the tables */
    struct field_job fit;
    struct field_solution solution;
    double ln_k_free, ln_k_sigma; /* size of the blur from the frames alone */
};
/* surface_frames.c. Refusing marks the frame in *ret with the reason and takes it out of `used`. */
enum nw_surface_method surface_method_of(const struct surface_job *job);
void surface_refuse(struct surface_job *job, struct nw_surface *ret, size_t at, const char *why);
void surface_refuse_early(struct surface_job *job, struct nw_surface *ret);
void surface_keep_sharpest(struct surface_job *job, struct nw_surface *ret);
enum nw_status surface_check_sizes(const struct surface_job *job, struct nw_err *err) NW_CHECKED;
void surface_sort_by_time(struct surface_job *job); /* as given where times are not known */
void surface_set_places(struct surface_job *job);
/* The used frame of a sweep that does not belong; n_used when all do. */
size_t surface_find_stranger(const struct surface_job *job, char *why, size_t size);

/* Fills everything of *ret but frames[].is_used and why. */
enum nw_status surface_result(struct surface_job *job, struct nw_surface *ret,
                              struct nw_err *err) NW_CHECKED;
/* From the positions of the used frames in the order of time. */
enum nw_compensation surface_compensation(const struct surface_job *job, double *ret_steps);

/* wavefront.c; sign: of the heights shown. */
enum nw_status surface_wavefront(const struct surface_job *job, double sign,
                                 struct nw_surface *surface, struct nw_err *err) NW_CHECKED;

#endif
