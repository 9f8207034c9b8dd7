/* check_nights.c - many nights of the book as evidence, and the star width taken apart by them.
 * A night without a usable light frame is passed over; guide logs that cannot be laid beside the
 * frames leave that night with the motion of the rig file. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart.h"
#include "cli/check_internal.h"

enum { MAX_NIGHTS = 400 };

struct one_night {
    struct check_night check;
    double *change_K;
};

struct nights {
    struct one_night *items;
    struct nw_apart_night *nights; /* borrow from items */
    size_t n, n_without_log;
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

static enum nw_status add_night(struct nw_book *book, const char *date, const struct nw_rig *rig,
                                const struct nw_setup *setup, struct nights *all,
                                struct nw_err *err) {
    struct one_night *const night = &all->items[all->n];
    struct nw_star_evidence evidence = {.motion_ra_rad = NAN, .motion_dec_rad = NAN};
    struct nw_err why = {0};
    nw_buf_init(&night->check.remark, 200);
    enum nw_status status = check_book(book, date, rig, setup, &night->check, &evidence, &why);
    if (status == NW_DATA || status == NW_NOTFOUND) { /* no usable light frame */
        check_night_done(&night->check);
        *night = (struct one_night){.change_K = NULL};
        return NW_OK;
    }
    all->n++;
    if (status != NW_OK) {
        return nw_err_set(err, status, "night of %s: %s", date, why.text);
    }
    const size_t n = night->check.n;
    night->change_K = nw_calloc(n + 1, sizeof *night->change_K);
    if (!night->change_K) {
        return nw_err_set(err, NW_NOMEM, "night of %zu subs", n);
    }
    focus_changes(night);
    all->n_without_log += !evidence.has_guiding;
    struct nw_apart_night *const ret = &all->nights[all->n - 1];
    *ret = (struct nw_apart_night){
        .frames = night->check.stars, .n = n, .focus_change_K = night->change_K};
    nw_text_copy(ret->date, sizeof ret->date, date);
    return NW_OK;
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
        check_night_done(&all->items[i].check);
        free(all->items[i].change_K);
    }
    free(all->items);
    free(all->nights);
}

/* ---- What trials say ------------------------------------------------------------------------ */

struct told {
    struct nw_apart_witness *witnesses;
    struct nw_apart_known *known;
    size_t n_witnesses, n_known;
};

/* "1.73+-0.24 arcsec" */
static bool read_width(const char *text, double *ret_rad, double *ret_sigma_rad) {
    double value;
    double sigma;
    double factor;
    double offset;
    struct nw_err none;
    const char *at = nw_text_scan_double(text, &value);
    while (at && *at == ' ') {
        at++;
    }
    at = at && strncmp(at, "+-", 2) == 0 ? at + 2 : NULL;
    while (at && *at == ' ') {
        at++;
    }
    at = at ? nw_text_scan_double(at, &sigma) : NULL;
    while (at && *at == ' ') {
        at++;
    }
    if (!at || nw_unit_read(at, NW_DIM_ANGLE, &factor, &offset, &none) != NW_OK) {
        return false;
    }
    *ret_rad = value * factor;
    *ret_sigma_rad = sigma * factor;
    return *ret_rad > 0.0 && *ret_sigma_rad > 0.0 && isfinite(*ret_rad + *ret_sigma_rad);
}

/* The night whose subs lie nearest to a moment, within half a day of one; SIZE_MAX: none. */
static size_t night_at(const struct nights *all, double t_s) {
    for (size_t k = 0; k < all->n; k++) {
        const struct nw_apart_night *const night = &all->nights[k];
        const double first_s = night->frames[0].t_start_utc_s;
        const double last_s = night->frames[night->n - 1].t_start_utc_s;
        if (t_s > first_s - 43200.0 && t_s < last_s + 43200.0 &&
            !(k + 1 < all->n && t_s > all->nights[k + 1].frames[0].t_start_utc_s - 21600.0)) {
            return k;
        }
    }
    return SIZE_MAX;
}

static enum nw_status read_one(const char *text, const struct nights *all, struct told *told,
                               struct nw_err *err) {
    char what[48];
    const char *const equals = strchr(text, '=');
    double t_s;
    double width_rad;
    double sigma_rad;
    struct nw_err none;
    if (!equals || !read_width(equals + 1, &width_rad, &sigma_rad)) {
        return nw_err_set(err, NW_USAGE,
                          "--told is '%.80s', expected LINE=WIDTH or TIME=SEEING as "
                          "tilt_curvature='0.70+-0.05 arcsec'",
                          text);
    }
    const size_t len = (size_t)(equals - text);
    nw_text_copy(what, len + 1 < sizeof what ? len + 1 : sizeof what, text);
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const enum nw_apart_term_id id = (enum nw_apart_term_id)k;
        const bool is_line = nw_apart_term_line(id) < NW_STAR_N_LINES && id != NW_APART_AIR &&
                             id != NW_APART_LOCAL_AIR;
        if (is_line && strcmp(what, nw_apart_term_name(id)) == 0) {
            told->known[told->n_known++] =
                (struct nw_apart_known){nw_apart_term_line(id), width_rad, sigma_rad};
            return NW_OK;
        }
    }
    if (nw_time_read_iso(what, 0.0, &t_s, &none) != NW_OK) {
        return nw_err_set(
            err, NW_USAGE,
            "--told %s: expected a time as 2026-06-14T11:40:00Z or one of lens_colour, "
            "decentre, focus, tilt_curvature, motion, flexure",
            what);
    }
    const size_t night = night_at(all, t_s);
    if (night == SIZE_MAX) {
        return nw_err_set(err, NW_USAGE, "--told %s: no night of those taken apart is near", what);
    }
    told->witnesses[told->n_witnesses++] =
        (struct nw_apart_witness){night, t_s, width_rad, sigma_rad};
    return NW_OK;
}

static enum nw_status read_told(const struct check_nights_opts *opts, const struct nights *all,
                                struct told *told, struct nw_err *err) {
    told->witnesses = nw_calloc(opts->n_told + 1, sizeof *told->witnesses);
    told->known = nw_calloc(opts->n_told + 1, sizeof *told->known);
    enum nw_status status = told->witnesses && told->known
                                ? NW_OK
                                : nw_err_set(err, NW_NOMEM, "%zu trials", opts->n_told);
    for (size_t i = 0; i < opts->n_told && status == NW_OK; i++) {
        status = read_one(opts->told[i], all, told, err);
    }
    return status;
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
    struct nights all = {.n = 0};
    struct told told = {.n_known = 0};
    enum nw_status status = gather(book, opts->range, rig, setup, &all, err);
    if (status == NW_OK && opts->changed_on) {
        status = split(opts->changed_on, &all, ret, err);
    }
    if (status == NW_OK) {
        status = read_told(opts, &all, &told, err);
    }
    if (status == NW_OK) {
        const struct nw_apart_evidence evidence = {.nights = all.nights,
                                                   .n_nights = all.n,
                                                   .witnesses = told.witnesses,
                                                   .n_witnesses = told.n_witnesses,
                                                   .known = told.known,
                                                   .n_known = told.n_known,
                                                   .changed_at = ret->n_before};
        const struct nw_apart_opts sampling = {.n_sweeps = 0};
        status = nw_apart_new(rig, setup, &evidence, &sampling, &ret->apart, err);
        ret->n_without_log = all.n_without_log;
        nw_text_copy(ret->from, sizeof ret->from, all.nights[0].date);
        nw_text_copy(ret->to, sizeof ret->to, all.nights[all.n - 1].date);
    }
    free(told.witnesses);
    free(told.known);
    nights_done(&all);
    return status;
}
