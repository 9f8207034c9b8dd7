/* check_measured.c - what logs and files of a night say to the budgets beside the star width. */
#include <math.h>
#include <sys/stat.h>

#include "air/log.h"
#include "cli/check_internal.h"
#include "power/power_log.h"

/* The table of a log: out of a file, or as text out of the book. */
static enum nw_status power_log(const char *path, const struct nw_buf *text,
                                const struct nw_rig *rig, const struct nw_setup *setup,
                                struct nw_ledger *ledger, struct nw_err *err) {
    struct nw_power_result *const result = nw_calloc(1, sizeof *result);
    struct nw_power_log *const log = nw_calloc(1, sizeof *log);
    enum nw_status status = result && log ? nw_power_result_of(rig, setup, result, err)
                                          : nw_err_set(err, NW_NOMEM, "log");
    if (status == NW_OK) {
        status = text ? nw_power_log_parse(path, text->data, text->len, result, log, err)
                      : nw_power_log_read(path, result, log, err);
    }
    if (status == NW_OK && ledger) {
        nw_ledger_power_measured(ledger, result, log);
    }
    free(log);
    free(result);
    return status;
}

static enum nw_status climate_log(const char *path, const struct nw_rig *rig,
                                  struct nw_ledger *ledger, struct nw_err *err) {
    struct nw_table *table = NULL;
    struct nw_air_log log = {0};
    enum nw_status status = nw_table_read(path, &table, err);
    if (status == NW_OK) {
        status = nw_air_log_read(table, rig, &log, err);
    }
    if (status == NW_OK && ledger) {
        nw_ledger_damp_measured(ledger, rig, &log);
    }
    nw_air_log_done(&log);
    nw_table_free(table);
    return status;
}

/* ---- Out of the book ------------------------------------------------------------------------ */

/* What stands in a log's way is said beside the budget: the book holds logs of many years and rigs.
 */
static enum nw_status say_why(struct nw_ledger *ledger, enum nw_status status,
                              const struct nw_err *why, struct nw_err *err) {
    if (status == NW_NOMEM) {
        return nw_err_set(err, status, "%s", why->text);
    }
    if (status != NW_OK) {
        (void)snprintf(ledger->why_null, sizeof ledger->why_null, "not set beside: %.180s",
                       why->text);
    }
    return NW_OK;
}

static enum nw_status climate_of_book(struct nw_book *book, const char *date,
                                      const struct nw_rig *rig, struct nw_ledger *ledger,
                                      struct nw_err *err) {
    struct nw_air_log plain = {.n = 0};
    struct nw_air_log log = {.n = 0};
    struct nw_err why = {0};
    enum nw_status status = nw_book_climate(book, date, &plain, err);
    if (status == NW_OK && plain.n > 1) {
        char name[80];
        (void)snprintf(name, sizeof name, "climate log of %s", date);
        const enum nw_status read = nw_air_log_adopt(&plain, name, rig, &log, &why);
        if (read == NW_OK) {
            nw_ledger_damp_measured(ledger, rig, &log);
        }
        status = say_why(ledger, read, &why, err);
    }
    nw_air_log_done(&log);
    nw_air_log_done(&plain);
    return status;
}

static enum nw_status power_of_book(struct nw_book *book, const char *date,
                                    const struct nw_rig *rig, const struct nw_setup *setup,
                                    struct nw_ledger *ledger, struct nw_err *err) {
    struct nw_power_rows rows = {.n = 0};
    struct nw_err why = {0};
    struct nw_buf text;
    nw_buf_init(&text, (size_t)1 << 28);
    enum nw_status status = nw_book_power(book, date, &rows, err);
    if (status == NW_OK && rows.n > 0) {
        char name[80];
        (void)snprintf(name, sizeof name, "power log of %s", date);
        nw_power_rows_csv(&rows, &text);
        const enum nw_status read = nw_buf_failed(&text)
                                        ? nw_err_set(&why, NW_LIMIT, "%zu rows", rows.n)
                                        : power_log(name, &text, rig, setup, ledger, &why);
        status = say_why(ledger, read, &why, err);
    }
    nw_power_rows_done(&rows);
    nw_buf_done(&text);
    return status;
}

enum nw_status check_book_logs(struct nw_book *book, const char *date, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct check_ledgers *ledgers,
                               struct nw_err *err) {
    struct nw_ledger *const damp = check_ledger_of(ledgers, "damp");
    struct nw_ledger *const power = check_ledger_of(ledgers, "power");
    enum nw_status status = damp ? climate_of_book(book, date, rig, damp, err) : NW_OK;
    if (status == NW_OK && power) {
        status = power_of_book(book, date, rig, setup, power, err);
    }
    return status;
}

static enum nw_status look_into_book(const struct cli_args *args, const struct nw_rig *rig,
                                     const struct nw_setup *setup,
                                     const struct check_ledgers *ledgers, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    char date[NW_BOOK_DATE];
    struct nw_book *book = NULL;
    enum nw_status status = cli_book_path(args, false, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_READ, &book, err);
    }
    if (status == NW_OK) {
        status = nw_book_find_night(book, cli_text(args, "night"), date, err);
    }
    if (status == NW_OK) {
        status = check_book_logs(book, date, rig, setup, ledgers, err);
    }
    nw_book_close(book);
    return status;
}

/* Bytes on disk; files that cannot be asked count for nothing, the frames' reader names them. */
static enum nw_status frames(const char *const *given, size_t n, struct nw_ledger *ledger,
                             struct nw_err *err) {
    struct nw_paths paths = {0};
    enum nw_status status = cli_frame_paths(given, n, &paths, err);
    double bytes = 0.0;
    size_t n_files = 0;
    for (size_t i = 0; i < paths.n && status == NW_OK; i++) {
        struct stat info;
        if (stat(paths.items[i], &info) == 0) {
            bytes += (double)info.st_size;
            n_files++;
        }
    }
    if (status == NW_OK && n_files > 0) {
        nw_ledger_storage_measured(ledger, n_files, bytes);
    }
    nw_paths_done(&paths);
    return status;
}

enum nw_status check_measured(const struct cli_args *args, const struct nw_rig *rig,
                              const struct nw_setup *setup, const struct check_ledgers *ledgers,
                              struct nw_err *err) {
    size_t n = 0;
    const char *const *const given = cli_texts(args, "frames", &n);
    struct nw_ledger *const storage = check_ledger_of(ledgers, "storage");
    const char *const log = cli_text(args, "power");
    const bool is_of_book = cli_given(args, "book") || cli_given(args, "night");
    enum nw_status status = is_of_book ? look_into_book(args, rig, setup, ledgers, err) : NW_OK;
    if (status == NW_OK && log) { /* a file named beside the book counts */
        status = power_log(log, NULL, rig, setup, check_ledger_of(ledgers, "power"), err);
    }
    if (status == NW_OK && cli_given(args, "climate")) {
        status = climate_log(cli_text(args, "climate"), rig, check_ledger_of(ledgers, "damp"), err);
    }
    if (status == NW_OK && n > 0 && storage) {
        status = frames(given, n, storage, err);
    }
    return status;
}
