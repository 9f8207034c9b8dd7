/* documents.h - a public header of book of its own: what our commands print with --json, kept.
 *
 * A document is known by what it is about (its command, and of `about` rig, setup, camera, first
 * and last frame; of a plan the night): a later one about the same takes its place, so that a frame
 * evaluated twice counts once. Its text stays as it is; what it says goes to tables in SI: focal
 * surfaces, trial results, sensor results, panel tables, plans. */
#ifndef NW_BOOK_DOCUMENTS_H
#define NW_BOOK_DOCUMENTS_H

#include <jansson.h>

#include "book/book.h"

/* The commands whose documents the book takes: "surface, trial, sensor, flats or plan". */
#define NW_BOOK_DOCUMENTS "surface, trial, sensor, flats or plan"

struct nw_book_kept {
    enum nw_book_fate fate; /* ADDED, KNOWN (the same text), REPLACED */
    const char *command;    /* "surface" */
    int64_t content_id;
    char date[NW_BOOK_DATE]; /* the night that it belongs to; "" when it does not say when */
};
/* Takes a document; its own transaction. `opts` as of nw_book_add.
 *   errors  FORMAT: no document of these commands; DATA: nothing in it that could be kept (the
 *           cards of `trial` without a result); those of the book */
enum nw_status nw_book_keep(struct nw_book *book, const json_t *document,
                            const struct nw_book_add_opts *opts, struct nw_book_kept *ret,
                            struct nw_err *err) NW_CHECKED;

#endif
