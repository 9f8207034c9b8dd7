/* keep.h - results of commands as documents: printed with --json, kept in the book with --keep. */
#ifndef NW_CLI_KEEP_H
#define NW_CLI_KEEP_H

#include "cli/cli.h"
#include "report/about.h"

/* Of commands that can keep their result; CLI_OPTION_BOOK belongs beside it. */
#define CLI_OPTION_KEEP                                                                            \
    {                                                                                              \
        .name = "keep", .kind = CLI_FLAG,                                                          \
        .help = "keep the result in the book, where a later one about the same takes its place"    \
    }

/* Without frames on the command line: those of a calibration session of the book. */
#define CLI_OPTION_SESSION                                                                         \
    {                                                                                              \
        .name = "night", .kind = CLI_TEXT, .value = "DATE",                                        \
        .help = "no files named: the calibration frames that the book has of this night; with "    \
                "--book alone of the last"                                                         \
    }
/* USAGE with --night, where files are named. */
enum nw_status cli_no_session(const struct cli_args *args, struct nw_err *err) NW_CHECKED;
/* Adds them to `paths` where --book or --night asks for it; use: what must be among them. */
enum nw_status cli_session_paths(const struct cli_args *args, enum nw_frame_use use,
                                 struct nw_paths *paths, struct nw_err *err) NW_CHECKED;

/* Is a document to be made at all? */
bool cli_wants_document(const struct cli_args *args);
/* Says in the document what it is about, keeps it when --keep says so, and hands it to `result`
 * when
 * --json does; else a line about it ends the text. Takes the document. */
enum nw_status cli_document(const struct cli_args *args, const struct nw_about *about,
                            json_t *document, struct cli_result *result,
                            struct nw_err *err) NW_CHECKED;

#endif
