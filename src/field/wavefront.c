/* wavefront.c - astigmatism, coma and their centres from star shapes over the field.
 * Idea: with second moments I and shape e of a star, q = e (Ixx + Iyy) adds up linearly over what
 * widens it. A defocus d and line foci A apart (a vector of spin two) give q = d A / (8 N^2) by
 * rays, which is A / 2 times the change of Ixx + Iyy with d; written so, e = A d(ln r)/dd with the
 * half-light radius r of blur.c, it holds with diffraction, too. Coma of ray length B along its
 * axis gives B B / 3 (spin one, squared; REFERENCES FOC-17, FOC-18); motion gives one q to all
 * stars of a frame, which therefore goes out of the fit. Over the field, w = u + i v: A = A2 w^2 +
 * A1 w (centre where A is nil: -A1 / (2 A2); Shack & Thompson 1980, Proc. SPIE 251, 146), B
 * likewise. Only what goes with d, changing its sign through focus, is called astigmatism
 * (patterns: Jarvis, Schechter & Jain 2008, arXiv:0810.0027). What does not is radial elongation:
 * coma or lateral colour, which look alike. Holds: q is in px^2; moments are those of the
 * half-maximum ellipse read as a Gaussian. */
#include "field/field_internal.h"

#include <complex.h>
#include <math.h>

enum { ASTIGMATISM_2, ASTIGMATISM_1, RADIAL_2, RADIAL_1, N_TERMS };

struct shape_row {
    double complex x[N_TERMS], q;
    double weight;
    size_t frame;
};

/* Gauss-Jordan for N_TERMS complex unknowns; m becomes its inverse. false: singular. */
static bool invert(double complex m[N_TERMS][N_TERMS]) {
    double complex inverse[N_TERMS][N_TERMS] = {{0.0}};
    for (size_t i = 0; i < N_TERMS; i++) {
        inverse[i][i] = 1.0;
    }
    for (size_t k = 0; k < N_TERMS; k++) { /* Hermitian and positive: no pivoting needed */
        const double complex pivot = m[k][k];
        if (!(cabs(pivot) > 0.0)) {
            return false;
        }
        for (size_t j = 0; j < N_TERMS; j++) {
            m[k][j] /= pivot;
            inverse[k][j] /= pivot;
        }
        for (size_t i = 0; i < N_TERMS; i++) {
            const double complex factor = m[i][k];
            for (size_t j = 0; j < N_TERMS && i != k; j++) {
                m[i][j] -= factor * m[k][j];
                inverse[i][j] -= factor * inverse[k][j];
            }
        }
    }
    memcpy(m, inverse, sizeof inverse);
    return true;
}

/* One row a cell and frame with a measured shape. Returns how many. */
static size_t make_rows(const struct surface_job *job, struct shape_row *rows) {
    size_t n = 0;
    for (size_t i = 0; i < job->fit.n_obs; i++) {
        const struct field_obs *const obs = &job->obs[i];
        const struct field_cell *const c = &job->cells[obs->frame * FIELD_CELLS_MAX + obs->cell];
        if (!isfinite(c->e1) || !isfinite(c->e2) || !(c->fwhm_px > 0.0) || !(c->e_sigma > 0.0)) {
            continue;
        }
        double by[FIELD_W];
        double by_width = 0.0;
        (void)field_predict(&job->fit, job->solution.par, obs, by, &by_width);
        const double trace = 2.0 * pow(c->fwhm_px / NW_FWHM_PER_SIGMA, 2.0);
        const double per_m = -by[FIELD_Z0] * trace; /* q of a metre of line foci */
        const double complex w = obs->u + I * obs->v;
        rows[n++] = (struct shape_row){
            .x = {per_m * w * w, per_m * w, w * w, w},
            .q = trace * (c->e1 + I * c->e2),
            .weight = pow(trace * c->e_sigma, -2.0),
            .frame = obs->frame,
        };
    }
    return n;
}

/* Takes each frame's weighted means out: what all its stars share is motion, or cannot be told from
 * it. */
static void centre_rows(struct shape_row *rows, size_t n, size_t n_frames) {
    for (size_t f = 0; f < n_frames; f++) {
        double complex sums[N_TERMS + 1] = {0.0};
        double weight = 0.0;
        for (size_t i = 0; i < n; i++) {
            if (rows[i].frame == f) {
                weight += rows[i].weight;
                sums[N_TERMS] += rows[i].weight * rows[i].q;
                for (size_t k = 0; k < N_TERMS; k++) {
                    sums[k] += rows[i].weight * rows[i].x[k];
                }
            }
        }
        for (size_t i = 0; i < n && weight > 0.0; i++) {
            if (rows[i].frame == f) {
                rows[i].q -= sums[N_TERMS] / weight;
                for (size_t k = 0; k < N_TERMS; k++) {
                    rows[i].x[k] -= sums[k] / weight;
                }
            }
        }
    }
}

static bool solve_rows(const struct shape_row *rows, size_t n, double complex beta[N_TERMS],
                       double sigma[N_TERMS]) {
    double complex m[N_TERMS][N_TERMS] = {{0.0}};
    double complex g[N_TERMS] = {0.0};
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < N_TERMS; k++) {
            g[k] += rows[i].weight * conj(rows[i].x[k]) * rows[i].q;
            for (size_t j = 0; j < N_TERMS; j++) {
                m[k][j] += rows[i].weight * conj(rows[i].x[k]) * rows[i].x[j];
            }
        }
    }
    double scale[N_TERMS];
    for (size_t k = 0; k < N_TERMS; k++) {
        scale[k] = sqrt(creal(m[k][k]));
        if (!(scale[k] > 0.0)) {
            return false;
        }
    }
    for (size_t k = 0; k < N_TERMS; k++) {
        for (size_t j = 0; j < N_TERMS; j++) {
            m[k][j] /= scale[k] * scale[j];
        }
        m[k][k] += 1e-9;
    }
    if (!invert(m)) {
        return false;
    }
    double misfit = 0.0;
    for (size_t k = 0; k < N_TERMS; k++) {
        beta[k] = 0.0;
        for (size_t j = 0; j < N_TERMS; j++) {
            beta[k] += m[k][j] * g[j] / (scale[k] * scale[j]);
        }
    }
    for (size_t i = 0; i < n; i++) {
        double complex miss = rows[i].q;
        for (size_t k = 0; k < N_TERMS; k++) {
            miss -= beta[k] * rows[i].x[k];
        }
        misfit += 0.5 * rows[i].weight * creal(miss * conj(miss)); /* two components */
    }
    misfit /= fmax(1.0, (double)n - N_TERMS - 2.0);
    for (size_t k = 0; k < N_TERMS; k++) {
        sigma[k] = sqrt(creal(m[k][k]) * fmax(1.0, misfit)) / scale[k];
    }
    return true;
}

/* Where a pattern second w^2 + first w + ... has its centre: -first / (2 second); NaN when the
 * second is below three of its errors. */
static void set_centre(double second, double second_sigma, double complex first, double first_sigma,
                       double ret[static 3]) {
    if (fabs(second) > 3.0 * second_sigma) {
        const double complex centre = -first / (2.0 * second);
        ret[0] = creal(centre);
        ret[1] = cimag(centre);
        ret[2] =
            hypot(first_sigma / (2.0 * fabs(second)), cabs(centre) * second_sigma / fabs(second));
    }
}

/* What a decentred curvature would look like, a = -2 c u0, and whether it is all the plane there
 * is.
 */
static void set_verdict(const struct nw_surface *s, struct nw_wavefront *ret) {
    static const double CENTRE_MAX = 0.25; /* half diagonals: vaguer centres say nothing */
    if (!(ret->centre_sigma < CENTRE_MAX)) {
        return;
    }
    ret->decentre_a = -2.0 * s->z[NW_SURFACE_C] * ret->centre[0];
    ret->decentre_b = -2.0 * s->z[NW_SURFACE_C] * ret->centre[1];
    ret->decentre_sigma = 2.0 * hypot(s->z[NW_SURFACE_C] * ret->centre_sigma,
                                      hypot(ret->centre[0], ret->centre[1]) *
                                          sqrt(s->cov[NW_SURFACE_C][NW_SURFACE_C]));
}

enum nw_status surface_wavefront(const struct surface_job *job, double sign,
                                 struct nw_surface *surface, struct nw_err *err) {
    struct nw_wavefront *const ret = &surface->wavefront;
    *ret = (struct nw_wavefront){.astigmatism_m = NAN,
                                 .astigmatism_sigma_m = NAN,
                                 .skew_m = NAN,
                                 .centre = {NAN, NAN},
                                 .centre_sigma = NAN,
                                 .coma_m = NAN,
                                 .coma_sigma_m = NAN,
                                 .coma_centre = {NAN, NAN},
                                 .coma_centre_sigma = NAN,
                                 .decentre_a = NAN,
                                 .decentre_b = NAN,
                                 .decentre_sigma = NAN};
    if (!job->is_metric || !isfinite(job->k_m)) {
        return NW_OK;
    }
    struct shape_row *const rows = nw_calloc(job->fit.n_obs, sizeof *rows);
    if (!rows) {
        return nw_err_set(err, NW_NOMEM, "shapes of %zu cells", job->fit.n_obs);
    }
    const size_t n = make_rows(job, rows);
    double complex beta[N_TERMS];
    double sigma[N_TERMS];
    centre_rows(rows, n, job->n_used);
    if (n >= 15 && solve_rows(rows, n, beta, sigma)) {
        ret->n_cells = n;
        ret->astigmatism_m = sign * creal(beta[ASTIGMATISM_2]);
        ret->astigmatism_sigma_m = sigma[ASTIGMATISM_2];
        ret->skew_m = sign * cimag(beta[ASTIGMATISM_2]);
        double centre[3] = {NAN, NAN, NAN};
        set_centre(creal(beta[ASTIGMATISM_2]), sigma[ASTIGMATISM_2], beta[ASTIGMATISM_1],
                   sigma[ASTIGMATISM_1], centre);
        memcpy(ret->centre, centre, sizeof ret->centre);
        ret->centre_sigma = centre[2];
        /* rays of coma: q = B^2 / 3 px^2; its figure is three B long */
        const double radial = creal(beta[RADIAL_2]);
        const double pixel_m = job->opts->optics.pixel_m;
        const double floor2 = fmax(radial, sigma[RADIAL_2]);
        ret->coma_m = radial > 0.0 ? 3.0 * sqrt(3.0 * radial) * pixel_m : 0.0;
        ret->coma_sigma_m = 1.5 * sqrt(3.0 / floor2) * sigma[RADIAL_2] * pixel_m;
        double coma_centre[3] = {NAN, NAN, NAN};
        set_centre(radial, sigma[RADIAL_2], beta[RADIAL_1], sigma[RADIAL_1], coma_centre);
        memcpy(ret->coma_centre, coma_centre, sizeof ret->coma_centre);
        ret->coma_centre_sigma = coma_centre[2];
        set_verdict(surface, ret);
    }
    free(rows);
    return NW_OK;
}
