/* measure.c - one plane of a frame, from pixels to a summary: the order of the steps.
 * Holds: inside, positions and widths are those of the measured grid; only this file turns them
 * into frame pixels (one colour of a mosaic has a pitch of 2). */
#include "image/aspects_internal.h"
#include "image/forms_internal.h"

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

/* Between the values that whole numbers in the file stand for; 0 for floats. */
static double step_of(const struct nw_frame *frame) {
    return frame->bitpix < 0 ? 0.0 : frame->step_adu > 0.0 ? frame->step_adu : 1.0;
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

static struct camera camera_of(const struct nw_frame *frame, const struct nw_measure_opts *opts) {
    const struct nw_frame_facts *const facts = &frame->facts;
    const bool has_gain = opts && opts->gain_e_per_adu > 0.0;
    const bool has_noise = opts && opts->read_noise_e > 0.0;
    return (struct camera){
        .noise = {.gain_e_per_adu = has_gain ? opts->gain_e_per_adu : facts->gain_e_per_adu,
                  .read_noise_e = has_noise ? opts->read_noise_e : facts->read_noise_e,
                  .offset_adu = opts && opts->offset_adu > 0.0 ? opts->offset_adu : (double)NAN},
        .exposure_s = facts->exposure_s};
}

/* Below this width in steps of the grid stars are narrower than their sampling can show. */
static const double SAMPLED_PX = 1.5;

/* What gaps between the pixels (of one colour) leave open of so narrow widths, relative: 3 % at 1.2
 * steps, 6 % at 0.9; simulated frames scatter by that (docs/models.md). Pixels without gaps leave
 * nothing open. */
static double sampling_sigma(const struct field *field, double fwhm_px) {
    return field->pixel_width < 1.0 && fwhm_px < SAMPLED_PX ? 0.1 * (SAMPLED_PX - fwhm_px) : 0.0;
}

/* Everything that is said of the frame as a whole, once its stars are measured. */
static enum nw_status summarise(const struct field *field, const struct plane *plane,
                                const struct seeing *seeing, const struct camera *camera,
                                struct nw_measure *m, struct nw_err *err) {
    m->background_adu = nw_background_level_adu(field->background);
    m->noise_adu = nw_background_noise_adu(field->background);
    const struct core core = core_measure(field, m->stars, m->n_stars, seeing);
    correct_widths(m, core.width_factor);
    const struct star_list list = star_list_of(m, seeing, core.neq_area_px2, field->pixel_width);
    const enum nw_status status = aspects_measure(field, &list, camera, &m->aspects, err);
    double half_light_px = NAN;
    const uint32_t forms = forms_measure(field, m, seeing->fwhm_px, &m->forms, &half_light_px);
    forms_scale(&m->forms, plane->pitch);
    to_frame_pixels(m, plane);
    summary_make(m, seeing,
                 hypot(core.width_relative_sigma, sampling_sigma(field, seeing->fwhm_px)));
    const bool is_narrow = m->n_stars > 0 && seeing->fwhm_px < SAMPLED_PX;
    m->flags |= is_narrow ? NW_FRAME_UNDER_SAMPLED : 0;
    m->flags |= forms;
    m->half_light_px = isfinite(m->half_light_px) ? m->half_light_px : half_light_px * plane->pitch;
    m->neq_area_px2 = core.neq_area_px2 * plane->pitch * plane->pitch;
    aspects_finish(m, plane->pitch, plane->x0, plane->y0);
    const bool is_bright = m->background_adu > 0.5 * field->saturation_adu; /* inf: never */
    m->flags |= is_bright ? NW_FRAME_BRIGHT_SKY : 0;
    return status;
}

static enum nw_status measure_plane(const struct nw_frame *frame, const struct plane *plane,
                                    const struct nw_measure_opts *opts, struct nw_measure *m,
                                    struct nw_err *err) {
    struct nw_background *background = NULL;
    struct peak_list peaks = {0};
    struct value_range range;
    struct field field = {.image = plane->view,
                          .pixel_width = 1.0 / plane->pitch,
                          .step_adu = step_of(frame),
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
    const double rounding_adu = field.step_adu / sqrt(12.0);
    background_raise_noise(background,
                           rounding_adu > 0.0 ? rounding_adu : 1e-6 * fabs(top_adu) + 1e-30);
    background_note_cold(background, (double)range.low);
    status = background_find_columns(background, &plane->view, field.n_threads, err);
    if (status != NW_OK) {
        goto done;
    }
    field.background = background;
    field.variance_per_adu = photon_variance(frame, opts);
    field.saturation_adu = saturation_level(frame, opts, top_adu, range.n_top);
    const double threshold = opts && opts->detect_sigma > 0.0 ? opts->detect_sigma : 5.0;
    struct seeing seeing = {.beta = 3.5};
    status = peaks_find(&field, threshold, &peaks, &seeing.fwhm_px, err);
    if (status != NW_OK) {
        goto done;
    }
    seeing.fwhm_optical_px =
        sqrt(fmax(seeing.fwhm_px * seeing.fwhm_px - 0.46 * field.pixel_width * field.pixel_width,
                  0.25 * seeing.fwhm_px * seeing.fwhm_px));
    status = stars_measure(&field, &peaks, opts, &seeing, m, err);
    if (status == NW_OK) {
        const struct camera camera = camera_of(frame, opts);
        status = summarise(&field, plane, &seeing, &camera, m, err);
    }
done:
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
    m->aspects = aspects_none();
    m->forms = forms_none();
    m->width_px = frame->width_px;
    m->height_px = frame->height_px;
    status = measure_plane(frame, &plane, opts, m, err);
    if (status == NW_OK) {
        m->flags |= frame->rows_missing > 0 ? NW_FRAME_TRUNCATED : 0;
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
