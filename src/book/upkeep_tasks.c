/* upkeep_tasks.c - what the nights of the book say about upkeep. Limits are common practice, no
 * source. */
#include <math.h>
#include <stdlib.h>

#include "book/fading.h"
#include "book/upkeep_internal.h"

static const double DAY_S = 86400.0;
static const double DAMP_SHARE = 0.60, DARK_DAYS = 180.0, FLAT_DAYS = 30.0;
static const double SAME_TEMPERATURE_K = 1.0;
enum { DAMP_NIGHTS = 3, DAMP_LOOK_BACK = 6 };

/* ---- Glass ---------------------------------------------------------------------------------- */

enum nw_status upkeep_of_glass(struct upkeep_list *list, struct nw_upkeep *task,
                               struct nw_err *err) {
    struct nw_fading fading;
    const enum nw_status status = nw_fading_of(list->book, task->last_done, NULL, &fading, err);
    if (status != NW_OK) {
        return status;
    }
    const double weeks = (fading.due_s - list->now_s) / (7.0 * DAY_S);
    const double width = (fading.due_until_s - fading.due_from_s) / (2.0 * 7.0 * DAY_S);
    if (fading.why_null[0] != '\0') {
        (void)snprintf(task->why, sizeof task->why, "light cannot be told: %s", fading.why_null);
    } else if (!(fading.low_per_s > 0.0)) {
        (void)snprintf(task->why, sizeof task->why,
                       "no light surely lost: %+.1f %% a month (%+.1f to %+.1f), %zu nights",
                       -100.0 * fading.loss_per_s * 30.0 * DAY_S,
                       -100.0 * fading.high_per_s * 30.0 * DAY_S,
                       -100.0 * fading.low_per_s * 30.0 * DAY_S, fading.n_nights);
    } else {
        upkeep_due(task, fading.due_s,
                   "%.1f %% of the light lost a month (%.1f to %.1f), %.0f %% so far; %.0f %% %s "
                   "about %.0f weeks +- %.0f",
                   100.0 * fading.loss_per_s * 30.0 * DAY_S,
                   100.0 * fading.low_per_s * 30.0 * DAY_S,
                   100.0 * fading.high_per_s * 30.0 * DAY_S, 100.0 * fading.lost,
                   100.0 * NW_FADING_ALLOWED, weeks < 0.0 ? "gone for" : "in", fabs(weeks), width);
    }
    nw_fading_done(&fading);
    return NW_OK;
}

/* ---- Asking the book ------------------------------------------------------------------------ */

struct question {
    const char *sql;
    struct book_value values[3];
    size_t n;
};
struct reply { /* the first row: a number and a text; NaN and "" when there is none */
    double number;
    char text[32];
};

static enum nw_status ask(struct nw_book *book, const struct question *question, struct reply *ret,
                          struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status =
        book_prepare(book, question->sql, question->values, question->n, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    *ret = (struct reply){.number = NAN};
    if (status == NW_OK && is_row) {
        ret->number = book_column_real(statement, 0);
        book_column_text(statement, 1, ret->text, sizeof ret->text);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* ---- Room, axis, train ---------------------------------------------------------------------- */

enum nw_status upkeep_of_room(struct upkeep_list *list, struct nw_upkeep *task,
                              struct nw_err *err) {
    struct reply damp;
    const struct question question = {
        "SELECT count(*), max(date) FROM (SELECT date, max(room_humidity_high) AS humidity FROM "
        "climate_run JOIN night ON night.id = night_id WHERE room_humidity_high IS NOT NULL AND "
        "date > ?1 GROUP BY date ORDER BY date DESC LIMIT ?2) WHERE humidity > ?3",
        {book_text(task->last_done), book_int(DAMP_LOOK_BACK), book_real(DAMP_SHARE)},
        3};
    const enum nw_status status = ask(list->book, &question, &damp, err);
    if (status == NW_OK && damp.number >= DAMP_NIGHTS) {
        upkeep_due(task, book_date_s(damp.text),
                   "the room went over %.0f %% humidity in %.0f of the last %d nights logged",
                   100.0 * DAMP_SHARE, damp.number, DAMP_LOOK_BACK);
    }
    return status;
}

/* The first day of the thaw's month, April or October, at least 30 days after a date. */
static double thaw_s(double from_s, bool is_north) {
    char date[NW_BOOK_DATE];
    for (int month = 1; month <= 13; month++) {
        upkeep_date_of(from_s + 30.0 * DAY_S * month, date);
        memcpy(date + 8, "01", 2);
        if (strncmp(date + 5, is_north ? "04" : "10", 2) == 0) {
            return book_date_s(date);
        }
    }
    return NAN;
}

enum nw_status upkeep_of_axis(struct upkeep_list *list, struct nw_upkeep *task,
                              struct nw_err *err) {
    const char *const from = task->last_done[0] != '\0' ? task->last_done : list->first;
    struct reply place;
    struct reply frost;
    const struct question where = {"SELECT latitude_rad, '' FROM frame WHERE latitude_rad IS NOT "
                                   "NULL ORDER BY id DESC LIMIT 1",
                                   {{.type = BOOK_NULL}},
                                   0};
    const struct question cold = {
        "SELECT count(DISTINCT date), max(date) FROM climate_run JOIN night ON night.id = night_id "
        "WHERE air_low_K < 273.15 AND date > ?1",
        {book_text(from)},
        1};
    enum nw_status status = ask(list->book, &where, &place, err);
    status = status == NW_OK ? ask(list->book, &cold, &frost, err) : status;
    if (status == NW_OK && isfinite(place.number) && frost.number > 0.0) {
        const double due_s = thaw_s(book_date_s(frost.text) - 30.0 * DAY_S, place.number > 0.0);
        upkeep_due(task, due_s,
                   "%.0f nights of frost since %s: ground that froze and thawed moves a pier",
                   frost.number, from);
    }
    return status;
}

enum nw_status upkeep_of_train(struct upkeep_list *list, struct nw_upkeep *task,
                               struct nw_err *err) {
    struct reply changed;
    const struct question question = {
        "SELECT id, date FROM change WHERE what = 'camera and telescope' AND date > ?1 ORDER BY "
        "date DESC LIMIT 1",
        {book_text(task->last_done)},
        1};
    const enum nw_status status = ask(list->book, &question, &changed, err);
    if (status == NW_OK && changed.text[0] != '\0') {
        upkeep_due(task, book_date_s(changed.text), "camera and telescope changed on %s",
                   changed.text);
    }
    return status;
}

/* ---- Calibration frames --------------------------------------------------------------------- */

/* Darks that the lights of the last month would want and that are not there. */
static enum nw_status ask_temperatures(struct upkeep_list *list, const char *camera,
                                       struct nw_upkeep *task, struct nw_err *err) {
    struct reply bare;
    const struct question question = {
        "SELECT l.set_temperature_K, date FROM frame AS l JOIN night ON night.id = l.night_id JOIN "
        "train ON train.id = l.train_id WHERE l.use = 'light' AND camera = ?1 AND date >= date(?2, "
        "'-30 days') AND l.set_temperature_K IS NOT NULL AND NOT EXISTS (SELECT 1 FROM frame AS d "
        "JOIN train AS t ON t.id = d.train_id WHERE d.use = 'dark' AND t.camera = ?1 AND "
        "abs(coalesce(d.set_temperature_K, d.chip_temperature_K) - l.set_temperature_K) <= ?3 AND "
        "coalesce(d.gain_setting = l.gain_setting, 1)) ORDER BY date DESC LIMIT 1",
        {book_text(camera), book_text(list->last), book_real(SAME_TEMPERATURE_K)},
        3};
    const enum nw_status status = ask(list->book, &question, &bare, err);
    if (status == NW_OK && bare.text[0] != '\0') {
        upkeep_due(task, book_date_s(bare.text),
                   "lights of %s at %.0f degC, no darks within %.0f K at their gain", bare.text,
                   bare.number - 273.15, SAME_TEMPERATURE_K);
    }
    return status;
}

/* Flats do not outlive a change of what stands in the light. */
static enum nw_status ask_changes(struct upkeep_list *list, struct nw_upkeep *task,
                                  struct nw_err *err) {
    struct reply changed;
    const struct question question = {
        "SELECT id, date FROM change WHERE what IN ('camera and telescope', 'focal length') AND "
        "date > ?1 ORDER BY date DESC LIMIT 1",
        {book_text(task->last_done)},
        1};
    const enum nw_status status = ask(list->book, &question, &changed, err);
    if (status == NW_OK && changed.text[0] != '\0' && task->last_done[0] != '\0') {
        upkeep_due(task, book_date_s(changed.text), "what stands in the light changed on %s",
                   changed.text);
    }
    return status;
}

static enum nw_status add_set(struct upkeep_list *list, const char *camera, const char *use,
                              double days, struct nw_err *err) {
    char name[80];
    struct reply last;
    const struct question question = {"SELECT count(*), coalesce(max(date), '') FROM frame JOIN "
                                      "train ON train.id = train_id JOIN "
                                      "night ON night.id = night_id WHERE use = ?1 AND camera = ?2",
                                      {book_text(use), book_text(camera)},
                                      2};
    enum nw_status status = ask(list->book, &question, &last, err);
    (void)snprintf(name, sizeof name, "%s frames%s%.60s", use, camera[0] != '\0' ? " of " : "",
                   camera);
    struct nw_upkeep *const task = status == NW_OK ? upkeep_new(list, name, &status, err) : NULL;
    if (!task) {
        return status;
    }
    if (strcmp(last.text, task->last_done) > 0) {
        nw_text_copy(task->last_done, sizeof task->last_done, last.text);
    }
    task->every_s = days * DAY_S;
    nw_text_copy(task->note, sizeof task->note,
                 "`owed` says which lights want which frames, and how many");
    if (task->last_done[0] == '\0') {
        upkeep_due(task, book_date_s(list->last), "none in the book, lights until %s", list->last);
        return NW_OK;
    }
    upkeep_due(task, book_date_s(task->last_done) + task->every_s,
               "every %.0f days, the last are of %s", days, task->last_done);
    return strcmp(use, "dark") == 0   ? ask_temperatures(list, camera, task, err)
           : strcmp(use, "flat") == 0 ? ask_changes(list, task, err)
                                      : NW_OK;
}

enum nw_status upkeep_of_sets(struct upkeep_list *list, struct nw_err *err) {
    enum { MAX_CAMERAS = 16 };
    char cameras[MAX_CAMERAS][72];
    size_t n = 0;
    const struct book_value value = book_text(list->last);
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(
        list->book,
        "SELECT DISTINCT camera FROM frame JOIN train ON train.id = train_id JOIN night ON "
        "night.id "
        "= night_id WHERE use = 'light' AND date >= date(?1, '-90 days') ORDER BY camera",
        &value, 1, &statement, err);
    while (status == NW_OK && n < MAX_CAMERAS) {
        status = book_step(list->book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        book_column_text(statement, 0, cameras[n++], sizeof cameras[0]);
    }
    (void)sqlite3_finalize(statement);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = add_set(list, cameras[i], "dark", DARK_DAYS, err);
        status = status == NW_OK ? add_set(list, cameras[i], "bias", DARK_DAYS, err) : status;
        status = status == NW_OK ? add_set(list, cameras[i], "flat", FLAT_DAYS, err) : status;
    }
    return status;
}
