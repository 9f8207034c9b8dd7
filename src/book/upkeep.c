/* upkeep.c - tasks, intervals and what was done; see upkeep.h. */
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>

#include "book/upkeep_internal.h"

enum { MAX_TASKS = 2000 };
static const double DAY_S = 86400.0;

/* Those that come with the program. days 0: only when the book says so. `look`: what the nights say
 * beside the interval. */
static const struct {
    const char *name;
    double days;
    enum nw_status (*look)(struct upkeep_list *list, struct nw_upkeep *task, struct nw_err *err);
    const char *note, *caution;
} TASKS[] = {
    {"lens cleaning", 0.0, upkeep_of_glass,
     "blow first, touch last: front lens, corrector, sensor window; note the day, the trend starts "
     "anew",
     "coatings scratch: no dry wiping; keep solvents away from heaters and flames; never look into "
     "the tube with the Sun in the sky"},
    {"desiccant", 60.0, upkeep_of_room, "dry or change it: camera, tube, cover, room",
     "drying in an oven: hot trays, never unattended; blue indicating gel holds cobalt, keep it "
     "off skin and food; a dryer on mains is not left to itself before it was watched"},
    {"worm and gears", 730.0, NULL, "clean, grease, mesh; then a guide log without corrections",
     "take weights and tube off or hold them: an axis without its worm swings free; fingers"},
    {"plugs, wires, fuses", 180.0, NULL,
     "feel plugs for warmth after a night, look for green copper, pull at crimps",
     "mains off and unplugged first; fixed wiring and protective earth are a licensed "
     "electrician's"},
    {"earth-leakage switch", 180.0, NULL, "press its test button: it must trip at once",
     "if it does not trip, use no mains there and call a licensed electrician"},
    {"battery", 180.0, NULL, "run the rig from it for an hour and read the volts",
     "a short melts tools: rings off, caps on; lead gives off gas while it charges: air, no flame"},
    {"light leak with the cap on", 365.0, upkeep_of_train,
     "darks by day or under a lamp against darks by night: `trial cap-on`",
     "never toward the Sun, cap or not"},
    {"polar axis", 365.0, upkeep_of_axis,
     "after the ground has thawed and settled: drift and field rotation by `guiding`",
     "clutches and altitude bolts carry the whole mount: one turn at a time, weights off first"},
    {"cables and ties", 180.0, NULL,
     "turn the mount by hand through all it does and watch every loop; clean plugs of damp", ""},
    {"yearly evening", 365.0, NULL,
     "tilt, backlash, worm, seeing and zero point by the cards of `trial`, kept in the book", ""},
    {"copy of the book", 30.0, NULL, "`book backup FILE` to another disk, note the day", ""},
};
enum { N_TASKS = sizeof TASKS / sizeof TASKS[0] };

void upkeep_date_of(double t_s, char to[static NW_BOOK_DATE]) {
    char iso[32] = "";
    if (isfinite(t_s)) {
        nw_time_write_iso(t_s, 0, iso, sizeof iso);
    }
    nw_text_copy(to, NW_BOOK_DATE, iso);
}

void upkeep_due(struct nw_upkeep *task, double due_s, const char *format, ...) {
    if (!isfinite(due_s) || due_s >= task->due_s) {
        return;
    }
    va_list args;
    va_start(args, format);
    (void)vsnprintf(task->why, sizeof task->why, format, args);
    va_end(args);
    task->due_s = due_s;
}

static enum nw_status read_last(struct nw_book *book, struct nw_upkeep *task, struct nw_err *err) {
    const struct book_value value = book_text(task->name);
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status =
        book_prepare(book, "SELECT coalesce(max(date), '') FROM upkeep WHERE task = ?1", &value, 1,
                     &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        book_column_text(statement, 0, task->last_done, sizeof task->last_done);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

struct nw_upkeep *upkeep_new(struct upkeep_list *list, const char *name, enum nw_status *status,
                             struct nw_err *err) {
    *status = nw_grow((void **)&list->items, &list->cap, list->n + 1, sizeof *list->items,
                      MAX_TASKS, err);
    if (*status != NW_OK) {
        return NULL;
    }
    struct nw_upkeep *const task = &list->items[list->n++];
    *task = (struct nw_upkeep){.every_s = NAN, .due_s = INFINITY};
    nw_text_copy(task->name, sizeof task->name, name);
    *status = read_last(list->book, task, err);
    return *status == NW_OK ? task : NULL;
}

/* By the interval, from the day it was done, else from the book's first night. */
static void by_interval(const struct upkeep_list *list, struct nw_upkeep *task) {
    const char *const from = task->last_done[0] != '\0' ? task->last_done : list->first;
    const double days = task->every_s / DAY_S;
    if (from[0] == '\0' && task->is_owners && task->every_s > 0.0) {
        upkeep_due(task, list->now_s,
                   "every %.0f days; never noted as done, and the book has no night to count from",
                   days);
    } else if (task->last_done[0] != '\0') {
        upkeep_due(task, book_date_s(from) + task->every_s, "every %.0f days, last on %s", days,
                   from);
    } else {
        upkeep_due(task, book_date_s(from) + task->every_s,
                   "every %.0f days; never noted as done, counted from the book's first night",
                   days);
    }
}

static enum nw_status add_ours(struct upkeep_list *list, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < N_TASKS && status == NW_OK; i++) {
        struct nw_upkeep *const task = upkeep_new(list, TASKS[i].name, &status, err);
        if (!task) {
            break;
        }
        task->every_s = TASKS[i].days > 0.0 ? TASKS[i].days * DAY_S : NAN;
        nw_text_copy(task->note, sizeof task->note, TASKS[i].note);
        nw_text_copy(task->caution, sizeof task->caution, TASKS[i].caution);
        by_interval(list, task);
        status = TASKS[i].look ? TASKS[i].look(list, task, err) : NW_OK;
    }
    return status;
}

static enum nw_status add_owners(struct upkeep_list *list, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status =
        book_prepare(list->book,
                     "SELECT name, every_s, coalesce(due, ''), note, caution FROM upkeep_task "
                     "ORDER BY name",
                     NULL, 0, &statement, err);
    while (status == NW_OK) {
        char name[80];
        char due[NW_BOOK_DATE];
        status = book_step(list->book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        book_column_text(statement, 0, name, sizeof name);
        struct nw_upkeep *const task = upkeep_new(list, name, &status, err);
        if (!task) {
            break;
        }
        task->is_owners = true;
        task->every_s = book_column_real(statement, 1);
        book_column_text(statement, 2, due, sizeof due);
        book_column_text(statement, 3, task->note, sizeof task->note);
        book_column_text(statement, 4, task->caution, sizeof task->caution);
        by_interval(list, task);
        if (due[0] != '\0' && strcmp(task->last_done, due) < 0) {
            upkeep_due(task, book_date_s(due), "on the day you gave");
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static int by_day(const void *a, const void *b) {
    const struct nw_upkeep *const left = a;
    const struct nw_upkeep *const right = b;
    const double x = isfinite(left->due_s) ? left->due_s : INFINITY;
    const double y = isfinite(right->due_s) ? right->due_s : INFINITY;
    return x < y ? -1 : x > y ? 1 : strcmp(left->name, right->name);
}

static enum nw_status read_span(struct upkeep_list *list, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        list->book,
        "SELECT coalesce(min(date), ''), coalesce(max(date) FILTER (WHERE EXISTS (SELECT 1 "
        "FROM frame WHERE night_id = night.id AND use = 'light')), '') FROM night",
        NULL, 0, &statement, err);
    if (status == NW_OK) {
        status = book_step(list->book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        book_column_text(statement, 0, list->first, sizeof list->first);
        book_column_text(statement, 1, list->last, sizeof list->last);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status nw_upkeep_list(struct nw_book *book, double now_utc_s, struct nw_upkeep **ret,
                              size_t *ret_n, struct nw_err *err) {
    struct upkeep_list list = {.book = book, .now_s = now_utc_s};
    char today[NW_BOOK_DATE];
    enum nw_status status = read_span(&list, err);
    status = status == NW_OK ? add_ours(&list, err) : status;
    status = status == NW_OK ? upkeep_of_sets(&list, err) : status;
    status = status == NW_OK ? add_owners(&list, err) : status;
    if (status != NW_OK) {
        free(list.items);
        return status;
    }
    upkeep_date_of(now_utc_s, today);
    for (size_t i = 0; i < list.n; i++) {
        struct nw_upkeep *const task = &list.items[i];
        task->due_s = isfinite(task->due_s) ? task->due_s : NAN;
        upkeep_date_of(task->due_s, task->due);
        task->is_due = task->due[0] != '\0' && strcmp(task->due, today) <= 0;
    }
    qsort(list.items, list.n, sizeof *list.items, by_day);
    *ret = list.items;
    *ret_n = list.n;
    return NW_OK;
}

/* ---- The owner's hand ----------------------------------------------------------------------- */

enum nw_status nw_upkeep_done(struct nw_book *book, const char *name, const char *date,
                              const char *note, double now_utc_s, struct nw_err *err) {
    struct nw_upkeep *items = NULL;
    const char **names = NULL;
    size_t n = 0;
    bool is_known = false;
    if (!isfinite(book_date_s(date))) {
        return nw_err_set(err, NW_DOMAIN, "'%s' is no date, expected one as 2026-05-14", date);
    }
    enum nw_status status = nw_upkeep_list(book, now_utc_s, &items, &n, err);
    if (status != NW_OK) {
        return status;
    }
    names = nw_calloc(n + 1, sizeof *names);
    for (size_t i = 0; i < n && names; i++) {
        names[i] = items[i].name;
        is_known |= nw_text_equal_nocase(name, items[i].name);
    }
    if (!names) {
        status = nw_err_set(err, NW_NOMEM, "%zu tasks", n);
    } else if (!is_known) {
        const char *const near = nw_text_nearest(name, names, n);
        status = nw_err_set(err, NW_NOTFOUND, "no task '%s'%s%s", name,
                            near ? "; nearest: " : "; `book upkeep` lists them", near ? near : "");
    } else {
        const struct book_value values[] = {book_text(name), book_text(date),
                                            book_text(note ? note : "")};
        status = book_run(book, "INSERT INTO upkeep (task, date, note) VALUES (?1, ?2, ?3)", values,
                          3, err);
    }
    free((void *)names);
    free(items);
    return status;
}

enum nw_status nw_upkeep_add(struct nw_book *book, const struct nw_upkeep_own *own,
                             struct nw_err *err) {
    const bool has_day = own->due && own->due[0] != '\0';
    if (own->name[0] == '\0' || strlen(own->name) > 60) {
        return nw_err_set(err, NW_DOMAIN, "a task wants a name of 1 to 60 letters");
    }
    for (size_t i = 0; i < N_TASKS; i++) {
        if (nw_text_equal_nocase(own->name, TASKS[i].name)) {
            return nw_err_set(err, NW_DOMAIN, "'%s' is a task of the program: choose another name",
                              own->name);
        }
    }
    if (has_day && !isfinite(book_date_s(own->due))) {
        return nw_err_set(err, NW_DOMAIN, "'%s' is no date, expected one as 2026-05-14", own->due);
    }
    if (!has_day && !(own->every_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "'%s': expected every how many days, or a day",
                          own->name);
    }
    const struct book_value values[] = {book_text(own->name), book_real(own->every_s),
                                        has_day ? book_text(own->due) : book_text(NULL),
                                        book_text(own->note ? own->note : ""),
                                        book_text(own->caution ? own->caution : "")};
    return book_run(book,
                    "INSERT INTO upkeep_task (name, every_s, due, note, caution) VALUES (?1, ?2, "
                    "?3, ?4, ?5) ON CONFLICT (name) DO UPDATE SET every_s = ?2, due = ?3, note = "
                    "?4, caution = ?5",
                    values, 5, err);
}

enum nw_status nw_upkeep_forget(struct nw_book *book, const char *name, struct nw_err *err) {
    const struct book_value value = book_text(name);
    const enum nw_status status =
        book_run(book, "DELETE FROM upkeep_task WHERE name = ?1", &value, 1, err);
    if (status == NW_OK && sqlite3_changes(book->db) == 0) {
        return nw_err_set(err, NW_NOTFOUND, "no task of yours is named '%s'", name);
    }
    return status;
}
