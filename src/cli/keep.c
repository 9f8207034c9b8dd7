/* keep.c - `--keep`: the result of a command into the book. */
#include "cli/keep.h"
#include "book/calibration.h"
#include "book/documents.h"
#include "cli/cli.h"

enum nw_status cli_no_session(const struct cli_args *args, struct nw_err *err) {
    return cli_given(args, "night")
               ? nw_err_set(err, NW_USAGE,
                            "--night takes the frames out of the book: no files are named then")
               : NW_OK;
}

enum nw_status cli_session_paths(const struct cli_args *args, enum nw_frame_use use,
                                 struct nw_paths *paths, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    char date[NW_BOOK_DATE];
    struct nw_book *book = NULL;
    if (!cli_given(args, "book") && !cli_given(args, "night")) {
        return NW_OK;
    }
    enum nw_status status = cli_book_path(args, false, path, err);
    status = status == NW_OK ? nw_book_open(path, NW_BOOK_READ, &book, err) : status;
    if (status == NW_OK) {
        status = nw_book_session(book, cli_text(args, "night"), use, date, paths, err);
    }
    nw_book_close(book);
    return status;
}

bool cli_wants_document(const struct cli_args *args) {
    return cli_wants_json(args) || cli_given(args, "keep");
}

static enum nw_status keep(const struct cli_args *args, const struct nw_about *about,
                           const json_t *document, struct nw_buf *remark, struct nw_err *err) {
    char path[CLI_MAX_PATH];
    struct nw_book *book = NULL;
    struct nw_book_kept kept = {.command = NULL};
    const struct nw_book_add_opts opts = {
        .now_utc_s = cli_now_utc_s(),
        .program_version = NW_VERSION,
        .longitude_rad = about->longitude_rad,
    };
    enum nw_status status = cli_book_path(args, true, path, err);
    if (status == NW_OK) {
        status = nw_book_open(path, NW_BOOK_CREATE, &book, err);
    }
    if (status == NW_OK) {
        status = nw_book_keep(book, document, &opts, &kept, err);
    }
    if (status == NW_OK) {
        nw_buf_printf(remark, "\nkept in ");
        nw_report_clean(remark, path);
        nw_buf_printf(remark, "%s%s%s\n", kept.date[0] != '\0' ? " under the night of " : "",
                      kept.date,
                      kept.fate == NW_BOOK_KNOWN      ? ": it was there"
                      : kept.fate == NW_BOOK_REPLACED ? " in place of an earlier result"
                                                      : "");
    }
    nw_book_close(book);
    return status;
}

enum nw_status cli_document(const struct cli_args *args, const struct nw_about *about,
                            json_t *document, struct cli_result *result, struct nw_err *err) {
    struct nw_buf remark;
    nw_buf_init(&remark, (size_t)2 * CLI_MAX_PATH);
    enum nw_status status = nw_about_put(about, document, err);
    if (status == NW_OK && cli_given(args, "keep")) {
        status = keep(args, about, document, &remark, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        result->json = document;
        document = NULL;
    } else if (status == NW_OK && remark.data) {
        nw_buf_printf(&result->text, "%s", remark.data);
    }
    json_decref(document);
    nw_buf_done(&remark);
    return status;
}
