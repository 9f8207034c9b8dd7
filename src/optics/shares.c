/* shares.c - what each line of a budget is worth: alone, without it, and order-free (Shapley 1953,
 * "A value for n-person games", Contributions to the Theory of Games II, 307).
 * Idea: the OTF of every line is laid once on a modest polar grid; a walk over all subsets costs
 * one multiplication a point; FWHM^2 of a subset comes from its angular harmonics 0, 2, 4, 6
 * (Hankel transforms by a table of Bessel functions) and the half-maximum contour in 8 directions.
 * Holds: v(nothing) = 0; every subset is seen beside a Gaussian point, taken off in squares. */
#include "optics/optics_internal.h"

#include <math.h>

enum {
    N_F = 44,
    N_PHI = 20,
    N_POINTS = N_F * N_PHI,
    N_HARMONICS = 7, /* 1, cos 2, sin 2, cos 4, sin 4, cos 6, sin 6 */
    N_RADII = 40,
    N_PSI = 8
};
#define POINT_FRACTION 0.125 /* FWHM of the Gaussian point over that of the whole */

struct game {
    size_t n;      /* players: the lines that are there */
    double *otf;   /* n x N_POINTS */
    double *stack; /* (n + 1) x N_POINTS: products on the way down */
    double *value; /* 2^n: FWHM^2 of each subset, in units of the whole */
    double angular[N_HARMONICS][N_PHI];
    double bessel[N_HARMONICS][N_RADII][N_F]; /* with ring weight and sign */
    double radius[N_RADII];
    double contour[N_PSI][N_HARMONICS];
    double point2; /* of the Gaussian point, FWHM^2 */
};

static void game_tables(struct game *game, const struct optics_grid *grid) {
    for (int h = 0; h < N_HARMONICS; h++) {
        const int order = 2 * ((h + 1) / 2);
        const bool is_sine = h > 0 && h % 2 == 0;
        for (int j = 0; j < N_PHI; j++) {
            const double phi = NW_PI * (j + 0.5) / N_PHI;
            game->angular[h][j] = is_sine ? sin(order * phi) : cos(order * phi);
        }
        for (int k = 0; k < N_PSI; k++) {
            const double psi = NW_PI * k / N_PSI;
            game->contour[k][h] = is_sine ? sin(order * psi) : cos(order * psi);
        }
        /* cos(z cos(phi - psi)) = J0 + 2 sum (-1)^m J_2m(z) cos 2m(phi - psi): DLMF 10.12.3 */
        const double front = h == 0 ? 1.0 : (order % 4 == 0 ? 2.0 : -2.0);
        for (int r = 0; r < N_RADII; r++) {
            for (size_t i = 0; i < N_F; i++) {
                const double z = 2.0 * NW_PI * grid->f[i] * game->radius[r];
                game->bessel[h][r][i] = front * grid->ring[i] * jn(order, z);
            }
        }
    }
}

/* Inverse interpolation of the half-maximum radius between table rows k-1 and k, with a parabola
 * through a third row where there is one. */
static double crossing(const double *r, const double y[N_RADII], int k, double half) {
    const int first = k >= 2 ? k - 2 : 0;
    double sum = 0.0;
    for (int a = first; a < first + 3; a++) {
        double term = r[a];
        for (int b = first; b < first + 3; b++) {
            term *= a == b ? 1.0 : (half - y[b]) / (y[a] - y[b]);
        }
        sum += term;
    }
    const double linear = r[k - 1] + (r[k] - r[k - 1]) * (y[k - 1] - half) / (y[k - 1] - y[k]);
    return sum >= r[k - 1] && sum <= r[k] ? sum : linear;
}

static void harmonics_of(const struct game *game, const double *product,
                         double coefficient[N_HARMONICS][N_F]) {
    for (int h = 0; h < N_HARMONICS; h++) {
        for (int i = 0; i < N_F; i++) {
            double sum = 0.0;
            for (int j = 0; j < N_PHI; j++) {
                sum += product[i * N_PHI + j] * game->angular[h][j];
            }
            coefficient[h][i] = sum;
        }
    }
}

static double fwhm2_of(const struct game *game, const double *product) {
    double coefficient[N_HARMONICS][N_F];
    double radial[N_RADII][N_HARMONICS];
    harmonics_of(game, product, coefficient);
    for (int r = 0; r < N_RADII; r++) {
        for (int h = 0; h < N_HARMONICS; h++) {
            double sum = 0.0;
            for (int i = 0; i < N_F; i++) {
                sum += game->bessel[h][r][i] * coefficient[h][i];
            }
            radial[r][h] = sum;
        }
    }
    double a = 0.0;
    double b = 0.0;
    double c = 0.0;
    for (int k = 0; k < N_PSI; k++) {
        double profile[N_RADII];
        int at = 0;
        for (int r = 0; r < N_RADII; r++) {
            profile[r] = 0.0;
            for (int h = 0; h < N_HARMONICS; h++) {
                profile[r] += radial[r][h] * game->contour[k][h];
            }
            if (r > 0 && profile[r] < 0.5 * profile[0]) {
                at = r;
                break;
            }
        }
        const double radius =
            at ? crossing(game->radius, profile, at, 0.5 * profile[0]) : game->radius[N_RADII - 1];
        const double inverse = 1.0 / (radius * radius);
        a += inverse / N_PSI;
        b += 2.0 * inverse * game->contour[k][1] / N_PSI;
        c += 2.0 * inverse * game->contour[k][2] / N_PSI;
    }
    return 4.0 / sqrt(fmax(1e-12, a * a - b * b - c * c));
}

/* Every subset once: bit k of the mask says whether player k is in. */
static void walk_subsets(const struct game *game, size_t player, size_t mask) {
    const double *before = game->stack + player * N_POINTS;
    if (player == game->n) {
        game->value[mask] = fwhm2_of(game, before) - game->point2;
        return;
    }
    double *after = game->stack + (player + 1) * N_POINTS;
    const double *otf = game->otf + player * N_POINTS;
    for (size_t at = 0; at < N_POINTS; at++) {
        after[at] = before[at] * otf[at];
    }
    walk_subsets(game, player + 1, mask | ((size_t)1 << player));
    memcpy(after, before, N_POINTS * sizeof *after);
    walk_subsets(game, player + 1, mask);
}

/* Shapley 1953: sum over subsets without k of s!(n-s-1)!/n! [v(with k) - v(without)]. */
static void shapley(const struct game *game, double share[NW_SHARES_MAX]) {
    const size_t n = game->n;
    double weight[NW_SHARES_MAX];
    for (size_t s = 0; s < n; s++) {
        weight[s] =
            exp(lgamma((double)s + 1.0) + lgamma((double)(n - s)) - lgamma((double)n + 1.0));
    }
    const size_t all = ((size_t)1 << n) - 1;
    const double whole = game->value[all] - game->value[0];
    for (size_t k = 0; k < n; k++) {
        const size_t bit = (size_t)1 << k;
        double sum = 0.0;
        for (size_t mask = 0; mask <= all; mask++) {
            if (!(mask & bit)) {
                const size_t others = (size_t)__builtin_popcountll(mask);
                sum += weight[others] * (game->value[mask | bit] - game->value[mask]);
            }
        }
        share[k] = sum / whole;
    }
}

static enum nw_status play(const struct nw_otf_line *lines, size_t n, double whole_rad,
                           double share[NW_SHARES_MAX], struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct optics_grid grid = {0};
    struct game *game = nw_calloc(1, sizeof *game);
    double *memory = nw_calloc((2 * n + 1) * N_POINTS + ((size_t)1 << n), sizeof *memory);
    if (!game || !memory) {
        status = nw_err_set(err, NW_NOMEM, "shares of %zu lines", n);
        goto done;
    }
    game->n = n;
    game->otf = memory;
    game->stack = memory + n * N_POINTS;
    game->value = memory + (2 * n + 1) * N_POINTS;
    const double point_rad = POINT_FRACTION * whole_rad;
    game->point2 = point_rad * point_rad;
    /* the Gaussian point ends the grid: exp(-pi^2 w^2 f^2 / (4 ln 2)) = 1e-3 */
    const double f_max = sqrt(log(1e3) * 4.0 * log(2.0)) / (NW_PI * point_rad);
    status = optics_grid_init(&grid, f_max, N_F, N_PHI, err);
    if (status != NW_OK) {
        goto done;
    }
    for (int r = 1; r < N_RADII; r++) { /* the first stays 0: the peak */
        game->radius[r] =
            point_rad * 0.42 * pow(0.9 / (0.42 * POINT_FRACTION), (r - 1.0) / (N_RADII - 2.0));
    }
    game_tables(game, &grid);
    const struct nw_otf point = {.kind = NW_OTF_GAUSS,
                                 .p = {game->point2 / (NW_FWHM_PER_SIGMA * NW_FWHM_PER_SIGMA), 0.0,
                                       game->point2 / (NW_FWHM_PER_SIGMA * NW_FWHM_PER_SIGMA)}};
    for (size_t at = 0; at < (n + 1) * N_POINTS; at++) {
        memory[at] = 1.0;
    }
    optics_grid_multiply(&grid, &point, game->stack);
    for (size_t k = 0; k < n; k++) {
        for (size_t i = 0; i < lines[k].n; i++) {
            const struct nw_otf part = optics_geometric(&lines[k].parts[i]);
            optics_grid_multiply(&grid, &part, game->otf + k * N_POINTS);
        }
    }
    walk_subsets(game, 0, 0);
    shapley(game, share);
done:
    optics_grid_done(&grid);
    free(memory);
    free(game);
    return status;
}

static double line_alone_rad(const struct nw_otf_line *line) {
    struct nw_psf psf;
    if (line->n == 0) {
        return 0.0;
    }
    if (line->n == 1) {
        return nw_otf_alone_rad(line->parts);
    }
    if (nw_psf_compose(line->parts, line->n, &psf, NULL) == NW_OK) {
        return psf.fwhm_rad;
    }
    double sum = 0.0;
    for (size_t i = 0; i < line->n; i++) {
        const double alone = nw_otf_alone_rad(&line->parts[i]);
        sum += alone * alone;
    }
    return sqrt(sum);
}

/* All parts of all lines but `left_out` (n: none) in a row; returns how many. */
static size_t gather(const struct nw_otf_line *lines, size_t n, size_t left_out,
                     struct nw_otf *parts) {
    size_t n_parts = 0;
    for (size_t k = 0; k < n; k++) {
        for (size_t i = 0; i < lines[k].n && k != left_out; i++) {
            parts[n_parts++] = lines[k].parts[i];
        }
    }
    return n_parts;
}

static enum nw_status without_each(const struct nw_otf_line *lines, size_t n, struct nw_otf *parts,
                                   struct nw_shares *shares, struct nw_err *err) {
    const size_t n_all = gather(lines, n, n, parts);
    const enum nw_status status = nw_psf_compose(parts, n_all, &shares->whole, err);
    for (size_t k = 0; k < n && status == NW_OK; k++) {
        struct nw_psf psf = shares->whole;
        const bool is_there = lines[k].n > 0;
        const bool is_good =
            !is_there || nw_psf_compose(parts, gather(lines, n, k, parts), &psf, NULL) == NW_OK;
        shares->without_rad[k] = is_good ? psf.fwhm_rad : NAN;
        shares->neq_without_rad2[k] = is_good ? psf.neq_area_rad2 : NAN;
        shares->alone_rad[k] = line_alone_rad(&lines[k]);
    }
    return status;
}

enum nw_status nw_psf_shares(const struct nw_otf_line *lines, size_t n, struct nw_shares *ret,
                             struct nw_err *err) {
    if (n == 0 || n > NW_SHARES_MAX) {
        return nw_err_set(err, NW_DOMAIN, "%zu lines to share among: 1 to %d are possible", n,
                          NW_SHARES_MAX);
    }
    enum nw_status status = NW_OK;
    struct nw_shares shares = {0};
    struct nw_otf_line present[NW_SHARES_MAX];
    size_t place[NW_SHARES_MAX];
    size_t n_present = 0;
    size_t n_parts = 0;
    for (size_t k = 0; k < n; k++) {
        n_parts += lines[k].n;
        if (lines[k].n > 0) {
            place[n_present] = k;
            present[n_present++] = lines[k];
        }
    }
    struct nw_otf *parts = nw_calloc(n_parts + 1, sizeof *parts);
    if (!parts) {
        return nw_err_set(err, NW_NOMEM, "%zu parts", n_parts);
    }
    status = without_each(lines, n, parts, &shares, err);
    if (status == NW_OK) {
        double share[NW_SHARES_MAX];
        status = play(present, n_present, shares.whole.fwhm_rad, share, err);
        for (size_t i = 0; i < n_present && status == NW_OK; i++) {
            shares.share[place[i]] = share[i];
        }
    }
    if (status == NW_OK) {
        *ret = shares;
    }
    free(parts);
    return status;
}
