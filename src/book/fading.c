/* fading.c - the light of each night on targets that come back, out of the book; see fading.h. */
#include "book/fading.h"

#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"

enum { MAX_FRAMES = 240, MAX_POINTS = 200000 };

/* The subs of one group: target, filter, camera, exposure, gain. */
struct group {
    struct nw_measure measures[MAX_FRAMES];
    const struct nw_measure *views[MAX_FRAMES];
    struct nw_transmission results[MAX_FRAMES];
    double exposures[MAX_FRAMES], airmass[MAX_FRAMES];
    char dates[MAX_FRAMES][NW_BOOK_DATE];
    size_t n;
    int64_t number;
};

/* Up to three subs a night and group, those nearest the zenith; of groups with over 80 nights 80 of
 * them, evenly. */
static const char SUBS[] =
    "WITH one AS (SELECT frame.id, channel, width_px, height_px, exposure_s, airmass, date, "
    "dense_rank() OVER (ORDER BY train_id, filter, object, exposure_s, gain_setting) AS grp, "
    "row_number() OVER (PARTITION BY train_id, filter, object, exposure_s, gain_setting, night_id "
    "ORDER BY airmass NULLS LAST, frame.id) AS place, dense_rank() OVER (PARTITION BY train_id, "
    "filter, "
    "object, exposure_s, gain_setting ORDER BY date) AS nth FROM frame JOIN night ON night.id = "
    "night_id JOIN train ON train.id = train_id JOIN measure ON frame_id = frame.id AND channel IN "
    "('mono', 'G') WHERE use = 'light' AND NOT is_double AND exposure_s > 0 AND object <> '' AND "
    "date >= ?1 AND (?2 = '' OR camera = ?2)), some AS (SELECT one.*, max(nth) OVER (PARTITION BY "
    "grp) AS nights FROM one WHERE place <= 3) SELECT * FROM some WHERE nights > 1 AND (nights <= "
    "80 OR nth * 80 / nights <> (nth - 1) * 80 / nights) ORDER BY grp, date, place";

static void drop(struct group *group) {
    for (size_t i = 0; i < group->n; i++) {
        free(group->measures[i].stars);
    }
    group->n = 0;
}

static enum nw_status add_point(struct nw_fading *f, size_t *cap,
                                const struct nw_fading_point *point, struct nw_err *err) {
    const enum nw_status status =
        nw_grow((void **)&f->points, cap, f->n + 1, sizeof *f->points, MAX_POINTS, err);
    if (status == NW_OK) {
        f->points[f->n++] = *point;
    }
    return status;
}

/* The best sub of each night becomes a point. */
static enum nw_status take_nights(const struct group *group, struct nw_fading *f, size_t *cap,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t first = 0; first < group->n && status == NW_OK;) {
        double best = NAN;
        size_t end = first;
        while (end < group->n && strcmp(group->dates[end], group->dates[first]) == 0) {
            const double light = book_zenith_light(group->results[end].value, group->airmass[end]);
            best = light > best || isnan(best) ? light : best;
            end++;
        }
        if (best > 0.0) {
            struct nw_fading_point point = {.t_s = book_date_s(group->dates[first]),
                                            .ln_light = log(best),
                                            .group = f->n_groups};
            nw_text_copy(point.date, sizeof point.date, group->dates[first]);
            status = add_point(f, cap, &point, err);
        }
        first = end;
    }
    return status;
}

static enum nw_status close_group(struct group *group, struct nw_fading *f, size_t *cap,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    if (group->n > 1) {
        const size_t before = f->n;
        status =
            nw_transmission_solve(group->views, group->exposures, group->n, group->results, err);
        status = status == NW_OK     ? take_nights(group, f, cap, err)
                 : status == NW_DATA ? NW_OK /* no stars in common: nothing is told */
                                     : status;
        f->n_groups += f->n > before ? 1 : 0;
    }
    drop(group);
    return status;
}

static enum nw_status take_row(struct nw_book *book, sqlite3_stmt *row, struct group *group,
                               struct nw_err *err) {
    char channel[8];
    const size_t i = group->n;
    book_column_text(row, 1, channel, sizeof channel);
    group->measures[i] = (struct nw_measure){.width_px = (size_t)sqlite3_column_int64(row, 2),
                                             .height_px = (size_t)sqlite3_column_int64(row, 3)};
    group->views[i] = &group->measures[i];
    group->exposures[i] = book_column_real(row, 4);
    group->airmass[i] = book_column_real(row, 5);
    book_column_text(row, 6, group->dates[i], NW_BOOK_DATE);
    group->n++;
    return book_read_stars(book, sqlite3_column_int64(row, 0), channel, &group->measures[i], err);
}

enum nw_status nw_fading_of(struct nw_book *book, const char *from, const char *camera,
                            struct nw_fading *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""),
                                        book_text(camera ? camera : "")};
    struct group *const group = nw_calloc(1, sizeof *group);
    sqlite3_stmt *statement = NULL;
    struct nw_fading f = {.n = 0};
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status = group ? book_prepare(book, SUBS, values, 2, &statement, err)
                                  : nw_err_set(err, NW_NOMEM, "subs of one target");
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const int64_t number = sqlite3_column_int64(statement, 7);
        if (group->n > 0 && number != group->number) {
            status = close_group(group, &f, &cap, err);
        }
        group->number = number;
        if (status == NW_OK && group->n < MAX_FRAMES) {
            status = take_row(book, statement, group, err);
        }
    }
    if (status == NW_OK) {
        status = close_group(group, &f, &cap, err);
    }
    if (status == NW_OK) {
        status = nw_fading_fit(&f, err);
    }
    (void)sqlite3_finalize(statement);
    if (group) {
        drop(group);
    }
    free(group);
    if (status == NW_OK) {
        *ret = f;
    } else {
        nw_fading_done(&f);
    }
    return status;
}
