/* check_measured.c - what logs and files of a night say to the budgets beside the star width. */
#include <math.h>
#include <sys/stat.h>

#include "air/log.h"
#include "cli/check_internal.h"
#include "power/power_log.h"

static struct nw_ledger *ledger_of(const struct check_ledgers *ledgers, const char *name) {
    for (size_t i = 0; i < ledgers->n; i++) {
        if (strcmp(ledgers->items[i]->name, name) == 0) {
            return ledgers->items[i];
        }
    }
    return NULL;
}

static enum nw_status power_log(const char *path, const struct nw_rig *rig,
                                const struct nw_setup *setup, struct nw_ledger *ledger,
                                struct nw_err *err) {
    struct nw_power_result *const result = nw_calloc(1, sizeof *result);
    struct nw_power_log *const log = nw_calloc(1, sizeof *log);
    enum nw_status status = result && log ? nw_power_result_of(rig, setup, result, err)
                                          : nw_err_set(err, NW_NOMEM, "log");
    if (status == NW_OK) {
        status = nw_power_log_read(path, result, log, err);
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
    struct nw_ledger *const storage = ledger_of(ledgers, "storage");
    const char *const log = cli_text(args, "power");
    enum nw_status status = NW_OK;
    if (log) {
        status = power_log(log, rig, setup, ledger_of(ledgers, "power"), err);
    }
    if (status == NW_OK && cli_given(args, "climate")) {
        status = climate_log(cli_text(args, "climate"), rig, ledger_of(ledgers, "damp"), err);
    }
    if (status == NW_OK && n > 0 && storage) {
        status = frames(given, n, storage, err);
    }
    return status;
}
