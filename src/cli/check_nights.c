/* check_nights.c - many nights of the book as evidence, and the star width taken apart by them.
 * A night without a usable light frame is passed over; guide logs that cannot be laid beside the
 * frames leave that night with the motion of the rig file. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart.h"
#include "cli/check_told.h"

enum { MAX_NIGHTS = 400 };

struct one_night {
    struct check_night check;
    double *change_K, *excess_K;
    size_t *filters; /* places in nights.filters */
};

struct nights {
    struct one_night *items;
    struct nw_apart_night *nights; /* borrow from items */
    size_t n, n_without_log, n_of_trials;
    const struct check_nights_opts *opts;
    struct nw_setup
        filters[NW_APART_FILTERS];        /* the setup with each of its filters, its own first */
    size_t n_filters, n_other, n_unknown; /* subs through others, through ones not in the rig */
};

/* ---- Which nights --------------------------------------------------------------------------- */

static bool is_date(const char *text, size_t len) {
    return len == 10 && text[4] == '-' && text[7] == '-';
}

/* "all", "2026-05-01..2026-07-31", one bound left out, or one date. */
static enum nw_status read_range(const char *text, char from[NW_BOOK_DATE], char to[NW_BOOK_DATE],
                                 struct nw_err *err) {
    const char *const dots = strstr(text, "..");
    const size_t left = dots ? (size_t)(dots - text) : strlen(text);
    const char *const right = dots ? dots + 2 : text;
    from[0] = to[0] = '\0';
    if (strcmp(text, "all") == 0) {
        return NW_OK;
    }
    if ((left > 0 && !is_date(text, left)) || (right[0] && !is_date(right, strlen(right))) ||
        (left == 0 && right[0] == '\0')) {
        return nw_err_set(err, NW_USAGE,
                          "--nights is '%.60s', expected all, or dates as 2026-05-01..2026-07-31",
                          text);
    }
    nw_text_copy(from, left ? NW_BOOK_DATE : 1, text);
    nw_text_copy(to, NW_BOOK_DATE, right);
    return NW_OK;
}

/* ---- One night ------------------------------------------------------------------------------ */

static void one_done(struct one_night *night) {
    check_night_done(&night->check);
    free(night->change_K);
    free(night->excess_K);
    free(night->filters);
    *night = (struct one_night){.change_K = NULL};
}

/* Temperature since the focuser last moved, as nw_star_since_focus has the time. */
static void focus_changes(struct one_night *night) {
    const struct check_night *const check = &night->check;
    double at_run_K = NAN;
    for (size_t i = 0; i < check->n; i++) {
        const double since_s = check->stars[i].since_focus_s;
        const double now_K = check->facts[i].focuser_temperature_K;
        at_run_K = since_s <= 0.0 ? now_K : at_run_K; /* the first sub after the run */
        night->change_K[i] = isfinite(since_s) ? now_K - at_run_K : NAN;
    }
}

/* The setup's filters, its own first. */
static void list_filters(const struct nw_setup *setup, struct nights *all) {
    all->filters[0] = *setup;
    all->n_filters = 1;
    for (size_t i = 0; i < setup->n_filters && all->n_filters < NW_APART_FILTERS; i++) {
        if (!nw_text_equal_nocase(setup->filters[i].name, setup->filter.name)) {
            all->filters[all->n_filters] = *setup;
            all->filters[all->n_filters++].filter = setup->filters[i];
        }
    }
}

/* The place of a header's filter; SIZE_MAX: the setup has no such filter. */
static size_t filter_of(const struct nights *all, const char *header) {
    const struct nw_filter *const filter = nw_setup_filter_of(&all->filters[0], header);
    for (size_t i = 0; i < all->n_filters && filter; i++) {
        if (nw_text_equal_nocase(all->filters[i].filter.name, filter->name)) {
            return i;
        }
    }
    return header[0] == '\0' ? 0 : SIZE_MAX;
}

/* Filters of the night, where one of them is known; else all subs are taken as the setup's. */
static void find_filters(const struct nights *all, struct one_night *night) {
    bool is_any = false;
    for (size_t i = 0; i < night->check.n; i++) {
        night->filters[i] = filter_of(all, night->check.facts[i].filter);
        is_any = is_any || (night->filters[i] != SIZE_MAX && night->check.facts[i].filter[0]);
    }
    for (size_t i = 0; i < night->check.n; i++) {
        night->filters[i] = is_any ? night->filters[i] : 0;
    }
}

/* Subs through a filter that the rig file has not are left out. */
static void leave_out(struct nights *all, struct one_night *night) {
    struct check_night *const check = &night->check;
    size_t n = 0;
    for (size_t i = 0; i < check->n; i++) {
        if (night->filters[i] == SIZE_MAX) {
            free(check->measures[i].stars);
            all->n_unknown++;
            continue;
        }
        all->n_other += night->filters[i] > 0;
        check->stars[n] = check->stars[i];
        check->facts[n] = check->facts[i];
        check->measures[n] = check->measures[i];
        night->filters[n] = night->filters[i];
        night->change_K[n++] = night->change_K[i];
    }
    check->n = n;
}

/* The climate log's word at a moment, linear between rows at most 20 minutes apart: how much warmer
 * than the air the warmest surface is, or the room with its roof open. */
static double excess_at(const struct nw_air_log *log, size_t row) {
    const double air_K = nw_air_log_at(log, NW_AIR_AIR, row);
    double warmest_K = -INFINITY;
    for (size_t k = 0; k < log->n_surfaces; k++) {
        const double surface_K = nw_air_log_surface_K(log, k, row);
        warmest_K = isfinite(surface_K) ? fmax(warmest_K, surface_K) : warmest_K;
    }
    if (isfinite(nw_air_log_at(log, NW_AIR_ROOM, row)) &&
        !(nw_air_log_at(log, NW_AIR_ROOF_OPEN, row) < 0.5)) {
        warmest_K = fmax(warmest_K, nw_air_log_at(log, NW_AIR_ROOM, row));
    }
    return isfinite(warmest_K) ? warmest_K - air_K : NAN;
}

static void excess_of(const struct nw_air_log *log, struct one_night *night) {
    static const double APART_S = 1200.0;
    size_t row = 0;
    for (size_t i = 0; i < night->check.n; i++) {
        const struct nw_star_frame *const star = &night->check.stars[i];
        const double t_s =
            star->t_start_utc_s + (isfinite(star->exposure_s) ? 0.5 * star->exposure_s : 0.0);
        while (row + 1 < log->n && log->t_s[row + 1] <= t_s) {
            row++;
        }
        const bool is_between = row + 1 < log->n && log->t_s[row] <= t_s &&
                                log->t_s[row + 1] - log->t_s[row] <= APART_S;
        const double part =
            is_between ? (t_s - log->t_s[row]) / (log->t_s[row + 1] - log->t_s[row]) : 0.0;
        night->excess_K[i] =
            is_between ? (1.0 - part) * excess_at(log, row) + part * excess_at(log, row + 1) : NAN;
    }
}

static enum nw_status read_climate(struct nw_book *book, const char *date, struct one_night *night,
                                   struct nw_err *err) {
    struct nw_air_log log = {.n = 0};
    const enum nw_status status = nw_book_climate(book, date, &log, err);
    if (status == NW_OK) {
        excess_of(&log, night);
    }
    nw_air_log_done(&log);
    return status;
}

/* Zones of a part of the chip say nothing of its corners. */
static void whole_chip_only(const struct nw_camera *camera, struct one_night *night) {
    for (size_t i = 0; i < night->check.n; i++) {
        const struct nw_measure *const measure = &night->check.measures[i];
        struct nw_star_frame *const star = &night->check.stars[i];
        const double across = (double)camera->width_px / (double)measure->width_px;
        const double down = (double)camera->height_px / (double)measure->height_px;
        const double bin = fmax(1.0, round(across));
        if (!(fabs(across / bin - 1.0) < 0.03 && fabs(down / bin - 1.0) < 0.03)) {
            star->fwhm_centre_rad = NAN;
            for (int k = 0; k < 4; k++) {
                star->fwhm_corner_rad[k] = NAN;
            }
        }
    }
}

/* The frame's own word on a line, taken away. */
static void keep_from(enum nw_star_line_id line, struct one_night *night) {
    for (size_t i = 0; i < night->check.n; i++) {
        struct nw_star_frame *const star = &night->check.stars[i];
        switch (line) {
        case NW_STAR_AIR_ABOVE:
        case NW_STAR_DISPERSION:
            star->airmass = NAN;
            break;
        case NW_STAR_FOCUS:
            star->since_focus_s = night->change_K[i] = NAN;
            break;
        case NW_STAR_MOTION:
            star->motion_ra_rad = star->motion_dec_rad = NAN;
            break;
        case NW_STAR_TILT_CURVATURE:
            star->fwhm_centre_rad = NAN;
            break;
        case NW_STAR_FLEXURE:
            star->e1 = NAN;
            star->exposure_s = NAN;
            break;
        case NW_STAR_FIELD_ROTATION:
            star->exposure_s = NAN;
            break;
        default:
            break;
        }
    }
}

static enum nw_status add_night(struct nw_book *book, const char *date, const struct nw_rig *rig,
                                const struct nw_setup *setup, struct nights *all,
                                struct nw_err *err) {
    struct one_night *const night = &all->items[all->n];
    struct nw_star_evidence evidence = {.motion_ra_rad = NAN, .motion_dec_rad = NAN};
    struct nw_err why = {0};
    nw_buf_init(&night->check.remark, 200);
    struct nw_setup any = *setup; /* all filters: each has its own place in the fit */
    any.filter.name[0] = '\0';
    enum nw_status status = check_book(book, date, rig, &any, &night->check, &evidence, &why);
    all->n_of_trials += night->check.n_of_trials;
    if (status == NW_DATA || status == NW_NOTFOUND) { /* no usable light frame */
        check_night_done(&night->check);
        *night = (struct one_night){.change_K = NULL};
        return NW_OK;
    }
    all->n++;
    if (status != NW_OK) {
        return nw_err_set(err, status, "night of %s: %s", date, why.text);
    }
    night->change_K = nw_calloc(night->check.n + 1, sizeof *night->change_K);
    night->excess_K = nw_calloc(night->check.n + 1, sizeof *night->excess_K);
    night->filters = nw_calloc(night->check.n + 1, sizeof *night->filters);
    if (!night->change_K || !night->excess_K || !night->filters) {
        return nw_err_set(err, NW_NOMEM, "night of %zu subs", night->check.n);
    }
    focus_changes(night);
    find_filters(all, night);
    leave_out(all, night);
    whole_chip_only(&setup->camera, night);
    if (all->opts->has_own_line) {
        keep_from(all->opts->own_line, night);
    }
    if (night->check.n == 0) {
        all->n--;
        one_done(night);
        return NW_OK;
    }
    status = read_climate(book, date, night, err);
    all->n_without_log += !evidence.has_guiding;
    struct nw_apart_night *const ret = &all->nights[all->n - 1];
    *ret = (struct nw_apart_night){.frames = night->check.stars,
                                   .n = night->check.n,
                                   .focus_change_K = night->change_K,
                                   .excess_K = night->excess_K,
                                   .filters = night->filters};
    nw_text_copy(ret->date, sizeof ret->date, date);
    return status;
}

static enum nw_status gather(struct nw_book *book, const char *range, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct nights *all, struct nw_err *err) {
    char from[NW_BOOK_DATE];
    char to[NW_BOOK_DATE];
    struct nw_book_night *nights = NULL;
    size_t n = 0;
    enum nw_status status = read_range(range, from, to, err);
    if (status == NW_OK) {
        status = nw_book_nights(book, from, to, &nights, &n, err);
    }
    if (status == NW_OK && n > MAX_NIGHTS) {
        status =
            nw_err_set(err, NW_LIMIT, "%zu nights at once, expected at most %d", n, MAX_NIGHTS);
    }
    if (status == NW_OK) {
        all->items = nw_calloc(n + 1, sizeof *all->items);
        all->nights = nw_calloc(n + 1, sizeof *all->nights);
        status = all->items && all->nights ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu nights", n);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        if (nights[i].n_lights > 0) {
            status = add_night(book, nights[i].date, rig, setup, all, err);
        }
    }
    if (status == NW_OK && all->n == 0) {
        status = nw_err_set(err, NW_DATA, "no night of the book%s%s has a measured light frame",
                            strcmp(range, "all") == 0 ? "" : " in ",
                            strcmp(range, "all") == 0 ? "" : range);
    }
    free(nights);
    return status;
}

static void nights_done(struct nights *all) {
    for (size_t i = 0; i < all->n; i++) {
        one_done(&all->items[i]);
    }
    free(all->items);
    free(all->nights);
}

/* What the usual sub is like: changes are judged there. */
static struct nw_star_frame usual_sub(const struct nights *all) {
    static const size_t MEMBERS[] = {
        offsetof(struct nw_star_frame, airmass), offsetof(struct nw_star_frame, exposure_s),
        offsetof(struct nw_star_frame, dec_rad), offsetof(struct nw_star_frame, fwhm_rad)};
    struct nw_star_frame mean;
    nw_star_frame_unknown(&mean);
    for (size_t k = 0; k < sizeof MEMBERS / sizeof MEMBERS[0]; k++) {
        double sum[2] = {0.0, 0.0};
        double n[2] = {0.0, 0.0};
        for (size_t i = 0; i < all->n; i++) {
            for (size_t j = 0; j < all->nights[i].n; j++) {
                const size_t other = all->nights[i].filters[j] > 0;
                double value = 0.0;
                memcpy(&value, (const char *)&all->nights[i].frames[j] + MEMBERS[k], sizeof value);
                sum[other] += isfinite(value) ? value : 0.0;
                n[other] += isfinite(value) ? 1.0 : 0.0;
            }
        }
        const int use = n[0] > 0.0 ? 0 : 1;
        const double value = n[use] > 0.0 ? sum[use] / n[use] : (double)NAN;
        memcpy((char *)&mean + MEMBERS[k], &value, sizeof value);
    }
    return mean;
}

/* ---- Together ------------------------------------------------------------------------------- */

static enum nw_status split(const char *changed_on, const struct nights *all,
                            struct check_apart *ret, struct nw_err *err) {
    if (!is_date(changed_on, strlen(changed_on))) {
        return nw_err_set(err, NW_USAGE, "'%.40s', expected a date as 2026-06-14", changed_on);
    }
    for (size_t i = 0; i < all->n; i++) { /* in order of date */
        ret->n_before += strcmp(all->nights[i].date, changed_on) < 0;
    }
    ret->n_after = all->n - ret->n_before;
    if (ret->n_before == 0 || ret->n_after == 0) {
        return nw_err_set(err, NW_DATA,
                          "%zu nights with light frames before %s and %zu since, expected some on "
                          "either side",
                          ret->n_before, changed_on, ret->n_after);
    }
    return NW_OK;
}

enum nw_status check_nights(struct nw_book *book, const struct check_nights_opts *opts,
                            const struct nw_rig *rig, const struct nw_setup *setup,
                            struct check_apart *ret, struct nw_err *err) {
    struct nights all = {.opts = opts};
    list_filters(setup, &all);
    struct check_told told = {.n_known = 0};
    enum nw_status status = gather(book, opts->range, rig, setup, &all, err);
    if (status == NW_OK && opts->changed_on) {
        status = split(opts->changed_on, &all, ret, err);
    }
    const struct check_told_nights nights = {all.nights, all.n, all.n_other > 0};
    if (status == NW_OK) {
        status = check_told_read(opts, &nights, &told, err);
    }
    if (status == NW_OK) {
        status = check_told_book(book, rig, setup, &nights, &told, err);
    }
    if (status == NW_OK) {
        const struct nw_apart_evidence evidence = {.nights = all.nights,
                                                   .n_nights = all.n,
                                                   .filters = all.filters,
                                                   .n_filters = all.n_other > 0 ? all.n_filters : 0,
                                                   .witnesses = told.witnesses,
                                                   .n_witnesses = told.n_witnesses,
                                                   .known = told.known,
                                                   .n_known = told.n_known,
                                                   .told = told.sums,
                                                   .n_told = told.n_sums,
                                                   .changed_at = ret->n_before};
        const struct nw_apart_opts sampling = {.n_sweeps = 0};
        status = nw_apart_new(rig, setup, &evidence, &sampling, &ret->apart, err);
        ret->mean = usual_sub(&all);
        ret->n_without_log = all.n_without_log;
        ret->n_of_trials = all.n_of_trials;
        ret->n_unknown_filter = all.n_unknown;
        nw_text_copy(ret->from, sizeof ret->from, all.nights[0].date);
        nw_text_copy(ret->to, sizeof ret->to, all.nights[all.n - 1].date);
    }
    ret->told = told; /* the words on trials are wanted still */
    nights_done(&all);
    return status;
}

void check_apart_done(struct check_apart *nights) {
    nw_apart_free(nights->apart);
    check_told_done(&nights->told);
    nights->apart = NULL;
}
