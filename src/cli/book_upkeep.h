/* book_upkeep.h - `book upkeep`, for cmd_book.c. */
#ifndef NW_CLI_BOOK_UPKEEP_H
#define NW_CLI_BOOK_UPKEEP_H

#include "book/book.h"
#include "cli/cli.h"

/* No words: the list; done NAME [DATE]; own NAME [DATE]; forget NAME. */
enum nw_status cli_book_upkeep(struct nw_book *book, const char *const *words, size_t n_words,
                               const struct cli_args *args, struct cli_result *result,
                               struct nw_err *err) NW_CHECKED;

/* `book trend light`: light lost over the months, time to clean. */
enum nw_status cli_book_fading(struct nw_book *book, const struct cli_args *args,
                               struct cli_result *result, struct nw_err *err) NW_CHECKED;

/* `book trend worm`: its amplitude and phase over nights. */
enum nw_status cli_book_worms(struct nw_book *book, const struct cli_args *args,
                              struct cli_result *result, struct nw_err *err) NW_CHECKED;

#endif
