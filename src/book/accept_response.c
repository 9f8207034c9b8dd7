/* accept_response.c - does the loop still pull the right way, at the start and after each flip?
 * Idea: a calibration kept over a flip shows as a response of the wrong sign. The frames say when
 * the tube changed sides, else the logs; the first run of the guide log that begins afterwards
 * and tells a response is the one that is asked. */
#include <math.h>

#include "book/accept_internal.h"

enum { MAX_TURNS = 4, MAX_RUNS = 500 };
static const double SURE_SIGMAS = 2.0;
static const double EARLY_S = 60.0; /* a run may begin before the first sub of its side */

struct run {
    double start_s, value[2], sigma[2];
    char side[8];
};

/* From here on the tube stands on this side. */
struct turn {
    double from_s;
    char side[8];
};
struct turns {
    struct turn items[MAX_TURNS];
    size_t n;
};

static void add_turn(struct turns *turns, double from_s, const char *side) {
    const bool is_new = turns->n == 0 || strcmp(turns->items[turns->n - 1].side, side) != 0;
    if (side[0] != '\0' && is_new && turns->n < MAX_TURNS) {
        turns->items[turns->n].from_s = from_s;
        nw_text_copy(turns->items[turns->n++].side, sizeof turns->items[0].side, side);
    }
}

static enum nw_status take_turn(sqlite3_stmt *row, void *to, struct nw_err *err) {
    char side[8];
    (void)err;
    book_column_text(row, 1, side, sizeof side);
    add_turn(to, book_column_real(row, 0), side);
    return NW_OK;
}

static enum nw_status read_turns(struct nw_book *book, const char *date, struct turns *ret,
                                 struct nw_err *err) {
    const struct book_value value = book_text(date);
    return book_each_row(
        book,
        "SELECT t_start_utc_s, tube_side FROM night JOIN frame ON night_id = night.id WHERE date = "
        "?1 AND use = 'light' AND NOT is_double AND t_start_utc_s IS NOT NULL AND tube_side <> '' "
        "ORDER BY t_start_utc_s",
        &value, 1, take_turn, ret, err);
}

struct runs {
    struct run *items;
    size_t n;
};

static enum nw_status take_run(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct runs *const runs = to;
    struct run *const run = &runs->items[runs->n++];
    (void)err;
    run->start_s = book_column_real(row, 0);
    for (int axis = 0; axis < 2; axis++) {
        run->value[axis] = book_column_real(row, 1 + 2 * axis);
        run->sigma[axis] = book_column_real(row, 2 + 2 * axis);
    }
    book_column_text(row, 5, run->side, sizeof run->side);
    return NW_OK;
}

static enum nw_status read_runs(struct nw_book *book, const char *date, struct run *runs,
                                size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(date), book_int(MAX_RUNS)};
    struct runs list = {.items = runs};
    const enum nw_status status = book_each_row(
        book,
        "SELECT start_utc_s, ra_response, ra_response_sigma, dec_response, dec_response_sigma, "
        "tube_side FROM guide_run JOIN night ON night.id = night_id WHERE date = ?1 AND "
        "start_utc_s IS NOT NULL ORDER BY start_utc_s LIMIT ?2",
        values, 2, take_run, &list, err);
    *ret_n = list.n;
    return status;
}

/* The first run of a stretch that tells a response; NULL: none. */
static const struct run *find_run(const struct run *runs, size_t n, int axis, double from_s,
                                  double to_s) {
    for (size_t i = 0; i < n; i++) {
        if (runs[i].start_s >= from_s && runs[i].start_s < to_s && isfinite(runs[i].value[axis])) {
            return &runs[i];
        }
    }
    return NULL;
}

static void judge(struct nw_book_check *check, const struct run *run, int axis) {
    const double sigma = isfinite(run->sigma[axis]) ? run->sigma[axis] : 0.0;
    check->tonight = run->value[axis];
    check->usual = 1.0;
    if (fabs(check->tonight) <= SURE_SIGMAS * sigma) {
        (void)snprintf(check->why, sizeof check->why,
                       "%.2f +- %.2f: too few pulses to be sure of the sign", check->tonight,
                       sigma);
    } else if (check->tonight > 0.0) {
        check->verdict = NW_BOOK_IS_SAME;
    } else {
        check->verdict = NW_BOOK_IS_WORSE;
        nw_text_copy(check->why, sizeof check->why,
                     "pulses move the star the wrong way: calibrate the guiding anew on this side "
                     "of the pier");
    }
}

/* One turn of the tube: 0 is the start of the night. */
static void judge_turn(struct nw_book_acceptance *a, const struct run *runs, size_t n,
                       const struct turns *turns, size_t turn) {
    static const char *const NAMES[MAX_TURNS][2] = {
        {"response in RA", "response in Dec"},
        {"response in RA after the flip", "response in Dec after the flip"},
        {"response in RA after the second flip", "response in Dec after the second flip"},
        {"response in RA after the third flip", "response in Dec after the third flip"},
    };
    const double from_s = turn == 0 ? -INFINITY : turns->items[turn].from_s - EARLY_S;
    const double to_s = turn + 1 < turns->n ? turns->items[turn + 1].from_s - EARLY_S : INFINITY;
    for (int axis = 0; axis < 2; axis++) {
        const struct run *const run = find_run(runs, n, axis, from_s, to_s);
        if (!run && turn == 0) {
            continue; /* nothing of the night tells it: no line, as without a log */
        }
        struct nw_book_check *const check =
            book_add_check(a, NAMES[turn][axis], "of what was asked");
        if (run) {
            judge(check, run, axis);
        } else {
            (void)snprintf(check->why, sizeof check->why,
                           "no run of the guide log begins with the tube %s and tells it",
                           turns->items[turn].side);
        }
    }
}

enum nw_status book_judge_response(struct nw_book *book, struct nw_book_acceptance *a,
                                   struct nw_err *err) {
    struct run *const runs = nw_calloc(MAX_RUNS, sizeof *runs);
    struct turns turns = {.n = 0};
    size_t n = 0;
    enum nw_status status =
        runs ? read_runs(book, a->date, runs, &n, err) : nw_err_set(err, NW_NOMEM, "guide runs");
    if (status == NW_OK && n > 0) {
        status = read_turns(book, a->date, &turns, err);
    }
    const bool is_of_frames = turns.n > 0;
    for (size_t i = 0; i < n && !is_of_frames; i++) {
        add_turn(&turns, runs[i].start_s + EARLY_S, runs[i].side);
    }
    for (size_t turn = 0; turn < (turns.n > 0 ? turns.n : 1) && n > 0 && status == NW_OK; turn++) {
        judge_turn(a, runs, n, &turns, turn);
    }
    free(runs);
    return status;
}
