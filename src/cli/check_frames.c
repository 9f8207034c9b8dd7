/* check_frames.c - frames of one night as evidence for the budgets: listed, measured, placed in
 * the sky.
 * Idea: header facts are read first and decide which frames count (lights of the setup's filter);
 * only those are measured, several at a time, one plane each: green of a colour camera. */
#include "cli/check_internal.h"

#include <assert.h>
#include <math.h>

#include "sky/sky.h"

/* Enough of a frame's stars to lay it over another. */
enum { KEPT_STARS = 500 };

struct frame_work {
    const char *path;
    struct nw_frame_facts facts;
    struct nw_star_frame star;
    struct nw_measure brief; /* sizes and the brightest stars; owned until handed over */
    enum nw_status status;
    struct nw_err err;
    bool is_kept, is_interpolated, has_width;
};

struct job {
    struct frame_work *work;
    const struct nw_rig *rig;
    const struct nw_setup *setup;
};

/* At mid-exposure: airmass from the header, its altitude, or coordinates, site and time; position
 * angle of the zenith from the latter alone. */
static void place_in_sky(const struct nw_frame_facts *facts, const struct nw_rig *rig,
                         struct nw_star_frame *star) {
    star->airmass = facts->airmass >= 1.0 ? facts->airmass : NAN;
    if (isfinite(facts->ra_rad) && isfinite(facts->dec_rad) && isfinite(facts->t_start_utc_s)) {
        const struct nw_place place = {rig->site.latitude_rad.v, rig->site.longitude_rad.v,
                                       rig->site.elevation_m.v};
        const struct nw_air_state air = {rig->site.pressure_Pa.v, rig->site.temperature_K.v,
                                         rig->site.relative_humidity.v};
        struct nw_pointing pointing;
        const double half_s = isfinite(facts->exposure_s) ? 0.5 * facts->exposure_s : 0.0;
        if (nw_sky_pointing(facts->ra_rad, facts->dec_rad, facts->t_start_utc_s + half_s, &place,
                            &air, &pointing, NULL) == NW_OK) {
            star->airmass = isfinite(star->airmass) ? star->airmass : pointing.airmass;
            star->parallactic_rad = pointing.parallactic_rad;
        }
    }
    if (!isfinite(star->airmass) && isfinite(facts->altitude_rad)) {
        star->airmass = nw_sky_airmass(facts->altitude_rad);
    }
}

static void fill_star(const struct nw_measure *measure, double scale_rad, struct frame_work *work) {
    static const int corner[4] = {0, NW_ZONES_X - 1, NW_ZONES_X * (NW_ZONES_Y - 1),
                                  NW_ZONES_X * NW_ZONES_Y - 1};
    struct nw_star_frame *star = &work->star;
    star->fwhm_rad = measure->fwhm_px * scale_rad;
    star->fwhm_sigma_rad = measure->fwhm_sigma_px * scale_rad;
    star->e1 = measure->e1;
    star->e2 = measure->e2;
    star->e_sigma = measure->e_sigma;
    star->fwhm_centre_rad = measure->zones[NW_ZONES_X * NW_ZONES_Y / 2].fwhm_px * scale_rad;
    for (int k = 0; k < 4; k++) {
        star->fwhm_corner_rad[k] = measure->zones[corner[k]].fwhm_px * scale_rad;
    }
    work->has_width = measure->fwhm_px > 0.0;
}

static void read_header(void *user, size_t i) {
    const struct job *const job = user;
    struct frame_work *const work = &job->work[i];
    const struct nw_frame_opts opts = {.header_only = true};
    struct nw_frame *frame = NULL;
    work->status = nw_frame_read(work->path, &opts, &frame, &work->err);
    if (work->status == NW_OK) {
        work->facts = frame->facts;
    }
    nw_frame_free(frame);
}

static bool is_light(const struct nw_frame_facts *facts) {
    char kind[32];
    size_t n = 0;
    for (; facts->image_type[n] && n + 1 < sizeof kind; n++) {
        const char c = facts->image_type[n];
        kind[n] = (char)(c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c);
    }
    kind[n] = 0;
    return n == 0 || strstr(kind, "light") || strstr(kind, "object") || strstr(kind, "science");
}

static bool is_of_filter(const struct nw_frame_facts *facts, const struct nw_setup *setup) {
    return !facts->filter[0] || !setup->filter.name[0] ||
           nw_filter_is(&setup->filter, facts->filter);
}

/* Lights of the setup's filter; all lights when no frame knows that filter. */
static void choose(struct frame_work *work, size_t n, const struct nw_setup *setup,
                   struct check_night *night) {
    size_t n_light = 0;
    size_t n_filter = 0;
    for (size_t i = 0; i < n; i++) {
        n_light += is_light(&work[i].facts);
        n_filter += is_light(&work[i].facts) && is_of_filter(&work[i].facts, setup);
    }
    for (size_t i = 0; i < n; i++) {
        work[i].is_kept =
            is_light(&work[i].facts) && (n_filter == 0 || is_of_filter(&work[i].facts, setup));
    }
    if (n_light < n) {
        nw_buf_printf(&night->remark, "%zu are no lights; ", n - n_light);
    }
    if (n_filter > 0 && n_filter < n_light) {
        nw_buf_printf(&night->remark, "%zu are not of the filter %s; ", n_light - n_filter,
                      setup->filter.name);
    }
    if (n_filter == 0 && n_light > 0) {
        nw_buf_printf(&night->remark, "no frame names the filter %s: all lights taken; ",
                      setup->filter.name);
    }
}

static int by_time(const void *a, const void *b) {
    const struct nw_star_frame *x = a;
    const struct nw_star_frame *y = b;
    return (x->t_start_utc_s > y->t_start_utc_s) - (x->t_start_utc_s < y->t_start_utc_s);
}

struct sorted {
    struct nw_star_frame star; /* first: by_time reads it */
    double steps;
    struct nw_measure brief;
    const struct nw_frame_facts *facts;
};

static enum nw_status collect(struct frame_work *work, size_t n, const struct nw_rig *rig,
                              struct check_night *night, struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct sorted *sorted = nw_calloc(n + 1, sizeof *sorted);
    double *steps = nw_calloc(n + 1, sizeof *steps);
    night->stars = nw_calloc(n + 1, sizeof *night->stars);
    night->measures = nw_calloc(n + 1, sizeof *night->measures);
    night->facts = nw_calloc(n + 1, sizeof *night->facts);
    if (!sorted || !steps || !night->stars || !night->measures || !night->facts) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", n);
        goto done;
    }
    size_t n_starless = 0;
    for (size_t i = 0; i < n; i++) {
        if (!work[i].is_kept) {
            continue;
        }
        if (!work[i].has_width) {
            n_starless++;
            continue;
        }
        struct sorted *to = &sorted[night->n++];
        to->star = work[i].star;
        to->star.t_start_utc_s = work[i].facts.t_start_utc_s;
        to->star.exposure_s = work[i].facts.exposure_s;
        to->star.dec_rad = work[i].facts.dec_rad;
        place_in_sky(&work[i].facts, rig, &to->star);
        to->brief = work[i].brief;
        to->facts = &work[i].facts;
        to->steps = work[i].facts.focuser_steps;
        work[i].brief.stars = NULL; /* handed over */
        night->is_interpolated = night->is_interpolated || work[i].is_interpolated;
    }
    if (n_starless) {
        nw_buf_printf(&night->remark, "%zu without usable stars; ", n_starless);
    }
    qsort(sorted, night->n, sizeof *sorted, by_time);
    for (size_t i = 0; i < night->n; i++) {
        night->stars[i] = sorted[i].star;
        night->measures[i] = sorted[i].brief;
        night->facts[i] = *sorted[i].facts;
        steps[i] = sorted[i].steps;
    }
    nw_star_since_focus(night->stars, steps, night->n);
done:
    free(steps);
    free(sorted);
    return status;
}

static int by_start(const void *a, const void *b) {
    const struct nw_seen_sub *x = a;
    const struct nw_seen_sub *y = b;
    return (x->t_start_utc_s > y->t_start_utc_s) - (x->t_start_utc_s < y->t_start_utc_s);
}

/* All lights, those of other filters by their headers: for the budgets of light and time. Before
 * the stars are handed over. */
static enum nw_status list_seen(const struct frame_work *work, size_t n,
                                const struct nw_setup *setup, struct check_night *night,
                                struct nw_err *err) {
    night->seen = nw_calloc(n + 1, sizeof *night->seen);
    if (!night->seen) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", n);
    }
    for (size_t i = 0; i < n; i++) {
        if (is_light(&work[i].facts)) {
            struct nw_seen_sub *const s = &night->seen[night->n_seen++];
            check_seen_sub(&work[i].facts, work[i].is_kept ? &work[i].brief : NULL, s);
            s->is_interpolated = work[i].is_interpolated;
            s->is_of_filter = work[i].is_kept && is_of_filter(&work[i].facts, setup);
        }
    }
    qsort(night->seen, night->n_seen, sizeof *night->seen, by_start);
    return NW_OK;
}

/* The first error by order of the frames; a frame without stars is no error. */
static enum nw_status first_error(const struct frame_work *work, size_t n, struct nw_err *err) {
    for (size_t i = 0; i < n; i++) {
        if (work[i].status != NW_OK) {
            const bool has_path = strstr(work[i].err.text, work[i].path) != NULL;
            return has_path
                       ? nw_err_set(err, work[i].status, "%s", work[i].err.text)
                       : nw_err_set(err, work[i].status, "%s: %s", work[i].path, work[i].err.text);
        }
    }
    return NW_OK;
}

/* The frames that were chosen: one plane each, green of a colour camera. */
static enum nw_status measure_chosen(const struct job *job, size_t n, struct nw_err *err) {
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_G,
                                        .pattern_if_unsaid = job->setup->camera.pattern,
                                        .keep_stars = KEPT_STARS};
    const double scale_rad = nw_setup_scale_rad(job->setup);
    struct nw_series series = {0};
    enum nw_status status = NW_OK;
    const char **const paths = nw_calloc(n + 1, sizeof *paths);
    size_t *const index = nw_calloc(n + 1, sizeof *index);
    if (!paths || !index) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", n);
        goto done;
    }
    size_t n_chosen = 0;
    for (size_t i = 0; i < n; i++) {
        if (job->work[i].is_kept) {
            index[n_chosen] = i;
            paths[n_chosen++] = job->work[i].path;
        }
    }
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    status = nw_series_measure(paths, n_chosen, &opts, &progress, &series, err);
    cli_progress_end(&bar);
    for (size_t k = 0; k < series.n; k++) {
        const struct nw_series_item *const item = &series.items[k];
        struct frame_work *const work = &job->work[index[k]];
        work->status = item->status;
        work->err = item->err;
        if (item->status == NW_OK) {
            work->is_interpolated = item->frame->n_planes == 3;
            fill_star(item->measures[0], scale_rad, work);
            work->brief = (struct nw_measure){.stars = item->measures[0]->stars,
                                              .n_stars = item->measures[0]->n_stars,
                                              .width_px = item->measures[0]->width_px,
                                              .height_px = item->measures[0]->height_px,
                                              .channel = item->measures[0]->channel,
                                              .n_used = item->measures[0]->n_used,
                                              .flags = item->measures[0]->flags,
                                              .background_adu = item->measures[0]->background_adu,
                                              .noise_adu = item->measures[0]->noise_adu,
                                              .aspects.limit = item->measures[0]->aspects.limit};
            item->measures[0]->stars = NULL;
            item->measures[0]->n_stars = 0;
        }
    }
done:
    nw_series_done(&series);
    free((void *)paths);
    free(index);
    return status;
}

static enum nw_status measure_all(struct job *job, size_t n, struct check_night *night,
                                  struct nw_err *err) {
    (void)nw_parallel_for(n, 0, read_header, job, NULL);
    enum nw_status status = first_error(job->work, n, err);
    if (status != NW_OK) {
        return status;
    }
    choose(job->work, n, job->setup, night);
    status = measure_chosen(job, n, err);
    return status == NW_OK ? first_error(job->work, n, err) : status;
}

enum nw_status check_frames(const char *const *given, size_t n_given, const struct nw_rig *rig,
                            const struct nw_setup *setup, struct check_night *night,
                            struct nw_err *err) {
    struct nw_paths paths = {0};
    struct frame_work *work = NULL;
    enum nw_status status = cli_frame_paths(given, n_given, &paths, err);
    if (status != NW_OK) {
        goto done;
    }
    work = nw_calloc(paths.n + 1, sizeof *work);
    if (!work) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames", paths.n);
        goto done;
    }
    for (size_t i = 0; i < paths.n; i++) {
        work[i].path = paths.items[i];
        nw_star_frame_unknown(&work[i].star);
    }
    struct job job = {.work = work, .rig = rig, .setup = setup};
    status = measure_all(&job, paths.n, night, err);
    if (status == NW_OK) {
        status = list_seen(work, paths.n, setup, night, err);
    }
    if (status == NW_OK) {
        status = collect(work, paths.n, rig, night, err);
    }
    if (status == NW_OK && night->n == 0) {
        status = nw_err_set(err, NW_DATA, "no usable star in any of %zu frames", paths.n);
    }
done:
    for (size_t i = 0; work && i < paths.n; i++) {
        free(work[i].brief.stars);
    }
    free(work);
    nw_paths_done(&paths);
    return status;
}

void check_night_done(struct check_night *night) {
    for (size_t i = 0; night->measures && i < night->n; i++) {
        free(night->measures[i].stars);
    }
    free(night->stars);
    free(night->measures);
    free(night->facts);
    free(night->seen);
    nw_buf_done(&night->remark);
}
