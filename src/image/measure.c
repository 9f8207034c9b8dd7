/* measure.c - one plane of a frame, from pixels to a summary: the order of the steps.
 * Holds: inside, positions and widths are those of the measured grid; only this file turns them
 * into frame pixels (one colour of a mosaic has a pitch of 2). */
#include "image/measure_internal.h"

#include "base/big.h"

static const char *const FLAG_WORDS[] = {
#define X(name, bit, word, text) [bit] = (word),
    NW_STAR_FLAG_LIST(X)
#undef X
};
static const char *const FRAME_WORDS[] = {
#define X(name, bit, word, text) [bit] = (word),
    NW_FRAME_FLAG_LIST(X)
#undef X
};

const char *nw_star_flag_word(unsigned bit) {
    return bit < sizeof FLAG_WORDS / sizeof FLAG_WORDS[0] ? FLAG_WORDS[bit] : NULL;
}

const char *nw_frame_flag_word(unsigned bit) {
    return bit < sizeof FRAME_WORDS / sizeof FRAME_WORDS[0] ? FRAME_WORDS[bit] : NULL;
}

void nw_measure_free(struct nw_measure *measure) {
    if (measure) {
        free(measure->stars);
        free(measure);
    }
}

/* The plane to measure, and how its grid lies in the frame. */
struct plane {
    struct nw_image_view view;
    struct nw_cfa_plane cfa; /* owned when pitch is 2 */
    double pitch, x0, y0;
};

static enum nw_status plane_of(const struct nw_frame *frame, enum nw_channel channel,
                               const char *pattern, struct plane *ret, struct nw_err *err) {
    *ret = (struct plane){.pitch = 1.0};
    const bool is_colour =
        channel == NW_CHANNEL_R || channel == NW_CHANNEL_G || channel == NW_CHANNEL_B;
    if (frame->n_planes == 3) {
        if (!is_colour) {
            return nw_err_set(err, NW_DOMAIN, "%s: a colour image is measured by colour: R, G or B",
                              frame->path);
        }
        ret->view = nw_frame_plane(frame, (size_t)channel - (size_t)NW_CHANNEL_R);
        return NW_OK;
    }
    ret->view = nw_frame_plane(frame, 0);
    if (is_colour) {
        const char *const cfa = pattern && *pattern ? pattern : frame->facts.bayer;
        const enum nw_status status = nw_frame_cfa_plane(frame, cfa, channel, &ret->cfa, err);
        if (status != NW_OK) {
            return status;
        }
        ret->view = (struct nw_image_view){.px = ret->cfa.px,
                                           .width_px = ret->cfa.width_px,
                                           .height_px = ret->cfa.height_px,
                                           .stride_px = ret->cfa.width_px};
        ret->pitch = 2.0;
        ret->x0 = ret->cfa.x0;
        ret->y0 = ret->cfa.y0;
    }
    return NW_OK;
}

static double saturation_level(const struct nw_frame *frame, const struct nw_measure_opts *opts,
                               double top_adu, size_t n_top) {
    if (opts && opts->saturation_adu > 0.0) {
        return opts->saturation_adu;
    }
    if (frame->facts.saturation_adu > 0.0) {
        return frame->facts.saturation_adu;
    }
    if (n_top >= 5) { /* the same highest value several times: a ceiling */
        return top_adu;
    }
    return isfinite(frame->data_max_adu) ? 0.999 * frame->data_max_adu : INFINITY;
}

/* Photon noise per ADU above the sky; 0 when nobody says the gain. */
static double photon_variance(const struct nw_frame *frame, const struct nw_measure_opts *opts) {
    const double gain =
        opts && opts->gain_e_per_adu > 0.0 ? opts->gain_e_per_adu : frame->facts.gain_e_per_adu;
    return gain > 0.0 ? 1.0 / gain : 0.0;
}

/* Fitted widths become those of the real profile; the pixel's part of the square stays. */
static void correct_widths(struct nw_measure *m, double factor) {
    for (size_t i = 0; i < m->n_stars; i++) {
        struct nw_star *const s = &m->stars[i];
        const double pixel2 = s->fwhm_px * s->fwhm_px - s->fwhm_optical_px * s->fwhm_optical_px;
        s->fwhm_px *= factor;
        s->fwhm_sigma_px *= factor;
        s->fwhm_major_px *= factor;
        s->fwhm_minor_px *= factor;
        if (isfinite(s->fwhm_optical_px)) {
            s->fwhm_optical_px = sqrt(fmax(s->fwhm_px * s->fwhm_px - pixel2, 0.0));
        }
    }
}

static void to_frame_pixels(struct nw_measure *m, const struct plane *plane) {
    const double k = plane->pitch;
    for (size_t i = 0; i < m->n_stars; i++) {
        struct nw_star *const s = &m->stars[i];
        s->x_px = plane->x0 + k * s->x_px;
        s->y_px = plane->y0 + k * s->y_px;
        s->x_sigma_px *= k;
        s->y_sigma_px *= k;
        s->fwhm_px *= k;
        s->fwhm_sigma_px *= k;
        s->fwhm_major_px *= k;
        s->fwhm_minor_px *= k;
        s->fwhm_optical_px *= k;
        s->half_light_px *= k;
    }
}

/* Below its median the filtered image holds noise and hardly any star: median - 15.87 % quantile of
 * one block is its sigma. */
static double block_scatter(const float *filtered, size_t width, size_t x0, size_t y0) {
    enum { SIDE = 32 };
    double values[SIDE * SIDE];
    size_t n = 0;
    for (size_t y = y0; y < y0 + SIDE; y++) {
        for (size_t x = x0; x < x0 + SIDE; x++) {
            values[n++] = (double)filtered[y * width + x];
        }
    }
    const double low = nw_stat_quantile(values, n, 0.158655); /* Phi(-1) */
    return nw_stat_quantile(values, n, 0.5) - low;
}

/* Scatter of the filtered image: 1 for white noise, more where the noise of neighbouring pixels is
 * alike (resampled or processed frames, plates); never taken below 1. The median over blocks: a
 * cluster or nebula over part of the frame does not count as noise. */
static double filtered_scatter(const float *filtered, size_t width, size_t height) {
    enum { SIDE = 32, BLOCKS = 24 };
    double scatter[BLOCKS * BLOCKS];
    const size_t n_x = width / SIDE < BLOCKS ? width / SIDE : BLOCKS;
    const size_t n_y = height / SIDE < BLOCKS ? height / SIDE : BLOCKS;
    if (n_x * n_y < 4) {
        return 1.0;
    }
    for (size_t j = 0; j < n_y; j++) {
        for (size_t i = 0; i < n_x; i++) {
            scatter[j * n_x + i] =
                block_scatter(filtered, width, i * (width - SIDE) / n_x, j * (height - SIDE) / n_y);
        }
    }
    return fmax(nw_stat_median(scatter, n_x * n_y), 1.0);
}

/* Width of the filter in that of the stars: 6 % less significant than the matched one (2 a b / (a^2
 * + b^2), two Gaussians), and neighbours part at 1.2 instead of 1.4 of their own width. */
static const double KERNEL_SHARE = 0.7;

/* Finds peaks twice: with a usual width, then with the width that the first ones show. */
static enum nw_status find_peaks(const struct field *field, double threshold, float *filtered,
                                 struct peak_list *peaks, double *ret_fwhm_px, struct nw_err *err) {
    double kernel_px = KERNEL_SHARE * 3.0 * field->pixel_width;
    for (int round = 0; round < 2; round++) {
        enum nw_status status = detect_filter(field, kernel_px, filtered, err);
        if (status == NW_OK) {
            free(peaks->peaks);
            *peaks = (struct peak_list){0};
            const double scatter =
                filtered_scatter(filtered, field->image.width_px, field->image.height_px);
            status = peaks_find(filtered, field, threshold * scatter, kernel_px, peaks, err);
        }
        if (status != NW_OK) {
            return status;
        }
        const double seen = seeing_guess(field, peaks);
        const double wanted_px = KERNEL_SHARE * seen;
        const bool is_near = wanted_px > 0.75 * kernel_px && wanted_px < 1.35 * kernel_px;
        *ret_fwhm_px = seen;
        if (is_near || peaks->n == 0) {
            break;
        }
        kernel_px = fmin(fmax(wanted_px, 1.2), 12.0);
    }
    size_t kept = 0;
    for (size_t i = 0; i < peaks->n; i++) {
        const struct peak *const p = &peaks->peaks[i];
        if (!peak_is_sharp(field, p->x, p->y, 0.9 * *ret_fwhm_px)) {
            peaks->peaks[kept++] = *p;
        }
    }
    peaks->n = kept;
    return NW_OK;
}

/* Everything that is said of the frame as a whole, once its stars are measured. */
static void summarise(const struct field *field, const struct plane *plane,
                      const struct seeing *seeing, struct nw_measure *m) {
    m->background_adu = nw_background_level_adu(field->background);
    m->noise_adu = nw_background_noise_adu(field->background);
    const struct core core = core_measure(field, m->stars, m->n_stars, seeing);
    correct_widths(m, core.width_factor);
    to_frame_pixels(m, plane);
    summary_make(m, seeing);
    m->neq_area_px2 = core.neq_area_px2 * plane->pitch * plane->pitch;
    const bool is_bright = m->background_adu > 0.5 * field->saturation_adu; /* inf: never */
    m->flags |= is_bright ? NW_FRAME_BRIGHT_SKY : 0;
}

static enum nw_status measure_plane(const struct nw_frame *frame, const struct plane *plane,
                                    const struct nw_measure_opts *opts, struct nw_measure *m,
                                    struct nw_err *err) {
    struct nw_background *background = NULL;
    struct peak_list peaks = {0};
    float *filtered = NULL;
    const size_t n_px = plane->view.width_px * plane->view.height_px;
    struct value_range range;
    struct field field = {.image = plane->view,
                          .pixel_width = 1.0 / plane->pitch,
                          .n_threads = opts ? opts->n_threads : 0};
    enum nw_status status =
        background_build(&plane->view, NULL, field.n_threads, &range, &background, err);
    if (status == NW_OK && !(range.top > range.low)) {
        status = nw_err_set(err, NW_DATA, "all pixels are equal");
    }
    if (status != NW_OK) {
        status = nw_err_at(err, status, "%s", frame->path);
        goto done;
    }
    const double top_adu = (double)range.top;
    background_raise_noise(background, frame->bitpix > 0 ? 0.29 : 1e-6 * fabs(top_adu) + 1e-30);
    field.background = background;
    field.variance_per_adu = photon_variance(frame, opts);
    field.saturation_adu = saturation_level(frame, opts, top_adu, range.n_top);
    filtered = nw_big_alloc(n_px * sizeof *filtered);
    if (!filtered) {
        status = nw_err_set(err, NW_NOMEM, "filtered image of %zu px", n_px);
        goto done;
    }
    const double threshold = opts && opts->detect_sigma > 0.0 ? opts->detect_sigma : 5.0;
    struct seeing seeing = {.beta = 3.5};
    status = find_peaks(&field, threshold, filtered, &peaks, &seeing.fwhm_px, err);
    nw_big_free(filtered);
    filtered = NULL;
    if (status != NW_OK) {
        goto done;
    }
    seeing.fwhm_optical_px =
        sqrt(fmax(seeing.fwhm_px * seeing.fwhm_px - 0.46 * field.pixel_width * field.pixel_width,
                  0.25 * seeing.fwhm_px * seeing.fwhm_px));
    status = stars_measure(&field, &peaks, opts, &seeing, m, err);
    if (status == NW_OK) {
        summarise(&field, plane, &seeing, m);
    }
done:
    nw_big_free(filtered);
    free(peaks.peaks);
    nw_background_free(background);
    return status;
}

enum nw_status nw_measure_frame(const struct nw_frame *frame, enum nw_channel channel,
                                const char *pattern, const struct nw_measure_opts *opts,
                                struct nw_measure **ret, struct nw_err *err) {
    if (!frame->px && !frame->px16) {
        return nw_err_set(err, NW_DOMAIN, "%s: only the header was read", frame->path);
    }
    struct plane plane;
    enum nw_status status = plane_of(frame, channel, pattern, &plane, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_measure *m = nw_calloc(1, sizeof *m);
    if (!m) {
        status = nw_err_set(err, NW_NOMEM, "measures of %s", frame->path);
        goto done;
    }
    m->channel = channel;
    m->width_px = frame->width_px;
    m->height_px = frame->height_px;
    status = measure_plane(frame, &plane, opts, m, err);
    if (status == NW_OK) {
        *ret = m;
        m = NULL;
    }
done:
    nw_measure_free(m);
    if (plane.pitch > 1.0) {
        nw_cfa_plane_done(&plane.cfa);
    }
    return status;
}
