/* book_compare.h - `book compare`, for cmd_book.c. */
#ifndef NW_CLI_BOOK_COMPARE_H
#define NW_CLI_BOOK_COMPARE_H

#include "book/book.h"
#include "cli/cli.h"

/* date: the first night with the new state. */
enum nw_status cli_book_compare(struct nw_book *book, const char *date, const struct cli_args *args,
                                struct cli_result *result, struct nw_err *err) NW_CHECKED;

#endif
