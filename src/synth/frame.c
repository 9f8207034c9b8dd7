/* frame.c - one sub: profiles over the field, stars, sky, noise, counts.
 * Idea: a star of the list stands where frame 1 had it, turned with the field about the middle,
 * plus the shift of the mean path, and is drawn with the profile blended from the four nearest
 * places of a grid. Electrons are expected values until the detector's noise is drawn, from the
 * frame's own random stream. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

struct nodes {
    size_t nx, ny;
    float *profiles; /* nx * ny, one after the other */
};

#define PROFILE_SIZE ((size_t)SYNTH_FINE * SYNTH_FINE)

void nw_synth_to_px(const struct synth_scene *scene, double e_rad, double n_rad, double ret_px[2]) {
    const double c = cos(scene->camera.angle_rad);
    const double s = sin(scene->camera.angle_rad);
    ret_px[0] = (-e_rad * c + n_rad * s) / scene->camera.scale_rad;
    ret_px[1] = (e_rad * s + n_rad * c) / scene->camera.scale_rad;
}

static size_t n_nodes(size_t size_px) {
    const size_t n = 1 + size_px / 600; /* closer ones would not differ */
    return n > SYNTH_NODES ? SYNTH_NODES : n;
}

static double node_place(size_t i, size_t n, size_t size_px) {
    const double last = (double)size_px - 1.0;
    return n == 1 ? 0.5 * last : last * (double)i / (double)(n - 1);
}

/* Field coordinates of a place of the readout: half diagonals from the middle of the whole chip. */
static void field_place(const struct synth_camera *camera, double x_px, double y_px,
                        double ret_uv[2]) {
    const double w = (double)camera->full_width_px;
    const double h = (double)camera->full_height_px;
    const double half_diagonal = 0.5 * hypot(w, h);
    ret_uv[0] = (x_px + (double)camera->x0_px - 0.5 * (w - 1.0)) / half_diagonal;
    ret_uv[1] = (y_px + (double)camera->y0_px - 0.5 * (h - 1.0)) / half_diagonal;
}

static void fill_nodes(const struct synth_job *job, const struct synth_sub *sub, size_t band,
                       struct synth_scratch *scratch, struct nodes *nodes) {
    const struct synth_camera *camera = &job->scene->camera;
    for (size_t i = 0; i < nodes->nx * nodes->ny; i++) {
        double uv[2];
        field_place(camera, node_place(i % nodes->nx, nodes->nx, camera->width_px),
                    node_place(i / nodes->nx, nodes->ny, camera->height_px), uv);
        nw_synth_psf_at(job->plan, sub, band, uv, 0, scratch, nodes->profiles + i * PROFILE_SIZE);
    }
}

static size_t node_below(double place, size_t n, size_t size_px, double *ret_part) {
    if (n == 1) {
        *ret_part = 0.0;
        return 0;
    }
    const double at = fmax(0.0, place / ((double)size_px - 1.0) * (double)(n - 1));
    const size_t i = at >= (double)(n - 1) ? n - 2 : (size_t)at;
    *ret_part = fmin(1.0, at - (double)i);
    return i;
}

static struct synth_blend blend_at(const struct synth_camera *camera, const struct nodes *nodes,
                                   const double place[static 2]) {
    struct synth_blend blend = {.n = 0};
    double fx = 0.0;
    double fy = 0.0;
    const size_t i = node_below(place[0], nodes->nx, camera->width_px, &fx);
    const size_t j = node_below(place[1], nodes->ny, camera->height_px, &fy);
    for (size_t k = 0; k < 4; k++) {
        const double weight = (k % 2 ? fx : 1.0 - fx) * (k / 2 ? fy : 1.0 - fy);
        if (weight > 0.0) {
            const size_t node = (j + k / 2) * nodes->nx + i + k % 2;
            blend.nodes[blend.n] = nodes->profiles + node * PROFILE_SIZE;
            blend.weights[blend.n++] = weight;
        }
    }
    return blend;
}

/* Radius beyond which a star adds less than 0.02 of the noise to a pixel; never below 10 px. */
static int draw_radius(const float *profile, double electrons, double noise_e) {
    const int middle = SYNTH_BOX_PX / 2;
    int radius = middle - 2;
    while (radius > 10) {
        double top = 0.0;
        for (int k = 0; k < 4; k++) { /* phase (0, 0) along the axes */
            const int step = k % 2 ? -radius : radius;
            const int cell = k / 2 ? (middle + step) * SYNTH_BOX_PX + middle
                                   : middle * SYNTH_BOX_PX + middle + step;
            top = fmax(top, (double)profile[cell]);
        }
        if (top * electrons > 0.02 * noise_e) {
            break;
        }
        radius -= 2;
    }
    return radius;
}

/* The turn of a sub's field in pixels: by rows, of offsets (x, y). */
static void turn_px(const struct synth_scene *scene, const double turn[4], double ret[4]) {
    const double c = cos(scene->camera.angle_rad);
    const double s = sin(scene->camera.angle_rad);
    const double to_sky[2][2] = {{-c, s}, {s, c}}; /* its own inverse: nw_synth_to_px */
    for (size_t i = 0; i < 4; i++) {
        const double *in = to_sky[i / 2];
        const double out[2] = {to_sky[0][i % 2], to_sky[1][i % 2]};
        ret[i] = in[0] * (turn[0] * out[0] + turn[1] * out[1]) +
                 in[1] * (turn[2] * out[0] + turn[3] * out[1]);
    }
}

static void draw_stars(const struct synth_job *job, const struct synth_sub *sub, size_t band,
                       const struct nodes *nodes, const struct synth_canvas *canvas,
                       const double shift_px[static 2]) {
    const struct synth_camera *camera = &job->scene->camera;
    const double sky = nw_synth_sky_electrons(job->scene, sub, band);
    const double noise =
        job->scene->opts.without_noise ? 0.0 : sqrt(sky + pow(camera->read_noise_e, 2.0));
    const float *middle = nodes->profiles + (nodes->nx * nodes->ny / 2) * PROFILE_SIZE;
    const double middle_px[2] = {0.5 * ((double)camera->width_px - 1.0),
                                 0.5 * ((double)camera->height_px - 1.0)};
    double turn[4];
    turn_px(job->scene, sub->turn, turn);
    for (size_t i = 0; i < job->field->n; i++) {
        const struct synth_star *star = &job->field->stars[i];
        const double x = star->x_px - middle_px[0];
        const double y = star->y_px - middle_px[1];
        const double place[2] = {middle_px[0] + turn[0] * x + turn[1] * y + shift_px[0],
                                 middle_px[1] + turn[2] * x + turn[3] * y + shift_px[1]};
        const double electrons = nw_synth_star_electrons(job->scene, sub, band, star->mag);
        const struct synth_blend blend = blend_at(camera, nodes, place);
        nw_synth_draw_star(canvas, &blend, place, electrons, draw_radius(middle, electrons, noise));
    }
}

/* Sky with its gradient, and dark current. */
static void lay_sky(const struct synth_scene *scene, double sky_e,
                    const struct synth_canvas *canvas) {
    const double dark_e = scene->camera.dark_e_s * scene->sub_s;
    const double half = 0.5 * hypot((double)canvas->width_px, (double)canvas->height_px);
    const double gx = scene->sky_gradient * cos(scene->sky_gradient_angle_rad) / half;
    const double gy = scene->sky_gradient * sin(scene->sky_gradient_angle_rad) / half;
    for (size_t y = 0; y < canvas->height_px; y++) {
        const double dy = (double)y - 0.5 * (double)canvas->height_px;
        for (size_t x = 0; x < canvas->width_px; x++) {
            const double dx = (double)x - 0.5 * (double)canvas->width_px;
            if (!canvas->pattern[0] || canvas->pattern[(y % 2) * 2 + x % 2] == canvas->letter) {
                canvas->px[y * canvas->width_px + x] =
                    (float)(sky_e * (1.0 + gx * dx + gy * dy) + dark_e);
            }
        }
    }
}

static void add_defects(const struct synth_scene *scene, const struct synth_field *field,
                        gsl_rng *rng, const struct synth_canvas *canvas) {
    for (size_t i = 0; i < field->n_hot; i++) {
        canvas->px[field->hot[i]] += field->hot_e_s[i] * (float)scene->sub_s;
    }
    /* muons: about 1 per cm^2 and minute through a flat chip (Particle Data Group, cosmic rays) */
    const double side_m = scene->camera.pixel_m * 100.0; /* cm */
    const double area = (double)canvas->width_px * (double)canvas->height_px * side_m * side_m;
    const unsigned n = gsl_ran_poisson(rng, area * scene->sub_s / 60.0);
    for (unsigned i = 0; i < n; i++) {
        double x = gsl_rng_uniform(rng) * (double)canvas->width_px;
        double y = gsl_rng_uniform(rng) * (double)canvas->height_px;
        const double angle = 2.0 * NW_PI * gsl_rng_uniform(rng);
        const unsigned length = 1 + gsl_ran_poisson(rng, 2.0);
        for (unsigned k = 0; k < length; k++) {
            if (x >= 0.0 && y >= 0.0 && x < (double)canvas->width_px &&
                y < (double)canvas->height_px) {
                canvas->px[(size_t)y * canvas->width_px + (size_t)x] +=
                    (float)gsl_ran_exponential(rng, 800.0);
            }
            x += cos(angle);
            y += sin(angle);
        }
    }
}

/* Photons and electrons to counts; above 50 e the Poisson law is a Gaussian for this purpose. */
static void expose_chip(const struct synth_scene *scene, gsl_rng *rng,
                        const struct synth_canvas *canvas, uint16_t *counts,
                        struct synth_frame_truth *truth) {
    const struct synth_camera *camera = &scene->camera;
    const double read2 = camera->read_noise_e * camera->read_noise_e;
    const size_t n = canvas->width_px * canvas->height_px;
    uint64_t hash = 0xcbf29ce484222325u;
    truth->n_saturated = 0;
    for (size_t i = 0; i < n; i++) {
        const double mean = fmax(0.0, (double)canvas->px[i]);
        double value = mean;
        bool is_full = mean >= camera->full_scale_e;
        if (!scene->opts.without_noise) {
            if (mean >= 50.0) {
                value += gsl_ran_gaussian_ziggurat(rng, sqrt(mean + read2));
            } else {
                value = (double)gsl_ran_poisson(rng, mean) +
                        gsl_ran_gaussian_ziggurat(rng, camera->read_noise_e);
            }
        }
        value = fmin(value, camera->full_scale_e);
        const double adu = round(value / camera->gain_e + camera->offset_adu);
        is_full = is_full || adu >= camera->max_adu;
        counts[i] = (uint16_t)fmax(0.0, fmin(adu, camera->max_adu));
        truth->n_saturated += is_full;
        hash = (hash ^ counts[i]) * 0x100000001b3u; /* FNV-1a by 16-bit words */
    }
    truth->pixel_hash = hash;
}

static void note_widths(const struct synth_job *job, const struct synth_sub *sub,
                        const struct nodes *nodes, struct synth_scratch *scratch,
                        struct synth_frame_truth *truth) {
    const size_t n = nodes->nx * nodes->ny;
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += nw_synth_psf_width(nodes->profiles + i * PROFILE_SIZE).fwhm_px;
    }
    truth->mean_fwhm_px = sum / (double)n;
    const size_t corners[4] = {0, nodes->nx - 1, n - nodes->nx, n - 1};
    for (int i = 0; i < 4; i++) {
        truth->corner_fwhm_px[i] =
            nw_synth_psf_width(nodes->profiles + corners[i] * PROFILE_SIZE).fwhm_px;
    }
    /* the middle of the frame, whole and with one contributor left out; the memory of node 0 is
     * free to be used: its stars are drawn */
    double uv[2];
    field_place(&job->scene->camera, 0.5 * ((double)job->scene->camera.width_px - 1.0),
                0.5 * ((double)job->scene->camera.height_px - 1.0), uv);
    const struct {
        uint32_t without;
        double *ret;
    } rows[] = {
        {0, &truth->centre.fwhm_px},
        {SYNTH_NO_SEEING, &truth->without_px.seeing},
        {SYNTH_NO_LOCAL_AIR, &truth->without_px.local_air},
        {SYNTH_NO_COLOUR, &truth->without_px.colour},
        {SYNTH_NO_COMA, &truth->without_px.coma},
        {SYNTH_NO_FOCUS, &truth->without_px.focus},
        {SYNTH_NO_SURFACE, &truth->without_px.surface},
        {SYNTH_NO_MOTION, &truth->without_px.motion},
        {SYNTH_NO_DISPERSION, &truth->without_px.dispersion},
        {SYNTH_NO_PIXEL, &truth->without_px.pixel},
    };
    const size_t band = nw_synth_judged_band(job->scene, sub);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        nw_synth_psf_begin(job->plan, sub, rows[i].without, scratch);
        nw_synth_psf_at(job->plan, sub, band, uv, rows[i].without, scratch, nodes->profiles);
        const struct synth_width width = nw_synth_psf_width(nodes->profiles);
        *rows[i].ret = width.fwhm_px;
        if (rows[i].without == 0) {
            truth->centre = width;
        }
    }
}

static const char LETTERS[SYNTH_BANDS] = {'R', 'G', 'B'};

/* All bands onto one canvas. */
static void paint(const struct synth_job *job, const struct synth_sub *sub,
                  struct synth_scratch *scratch, struct nodes *nodes,
                  const struct synth_canvas *whole, struct synth_frame_truth *truth) {
    const struct synth_sub *first = &job->night->subs[0];
    double shift_px[2];
    nw_synth_to_px(job->scene, sub->mean_e_rad - first->mean_e_rad,
                   sub->mean_n_rad - first->mean_n_rad, shift_px);
    truth->dx_px = shift_px[0];
    truth->dy_px = shift_px[1];
    const size_t order[SYNTH_BANDS] = {0, 2, 1}; /* green last: its widths are the frame's */
    const bool is_array = whole->pattern[0] != '\0';
    for (size_t k = 0; k < (is_array ? (size_t)SYNTH_BANDS : 1); k++) {
        const size_t band = is_array ? order[k] : sub->filter;
        struct synth_canvas canvas = *whole;
        canvas.letter = is_array ? LETTERS[band] : '\0';
        truth->sky_e = nw_synth_sky_electrons(job->scene, sub, band);
        lay_sky(job->scene, truth->sky_e, &canvas);
        nw_synth_psf_begin(job->plan, sub, 0, scratch);
        fill_nodes(job, sub, band, scratch, nodes);
        draw_stars(job, sub, band, nodes, &canvas, shift_px);
    }
    note_widths(job, sub, nodes, scratch, truth);
}

enum nw_status nw_synth_frame_make(const struct synth_job *job, size_t index,
                                   struct synth_frame_truth *ret, struct nw_err *err) {
    const struct synth_camera *camera = &job->scene->camera;
    const size_t n_px = camera->width_px * camera->height_px;
    struct nodes nodes = {.nx = n_nodes(camera->width_px), .ny = n_nodes(camera->height_px)};
    struct synth_canvas canvas = {
        .width_px = camera->width_px, .height_px = camera->height_px, .pattern = camera->pattern};
    struct synth_scratch scratch = {0};
    struct synth_frame_truth truth = {0};
    uint16_t *counts = NULL;
    gsl_rng *rng = nw_synth_rng_new(job->scene->opts.seed, SYNTH_RNG_FRAME + index);
    enum nw_status status = nw_synth_scratch_init(job->plan, &scratch, err);
    if (status != NW_OK) {
        goto done;
    }
    nodes.profiles = nw_big_alloc(nodes.nx * nodes.ny * PROFILE_SIZE * sizeof(float));
    canvas.px = nw_big_alloc(n_px * sizeof(float));
    counts = nw_big_alloc(n_px * sizeof *counts);
    if (!rng || !nodes.profiles || !canvas.px || !counts) {
        status = nw_err_set(err, NW_NOMEM, "frame of %zu pixels", n_px);
        goto done;
    }
    const struct synth_sub *sub = &job->night->subs[index];
    paint(job, sub, &scratch, &nodes, &canvas, &truth);
    if (!job->scene->opts.without_noise) {
        add_defects(job->scene, job->field, rng, &canvas);
    }
    expose_chip(job->scene, rng, &canvas, counts, &truth);
    status = nw_synth_frame_write(job, index, counts, err);
    if (status == NW_OK) {
        *ret = truth;
    }
done:
    nw_synth_scratch_done(&scratch);
    nw_big_free(nodes.profiles);
    nw_big_free(canvas.px);
    nw_big_free(counts);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}
