/* trend_internal.h - shared by the files of trends: rows of the views as points. */
#ifndef NW_BOOK_TREND_INTERNAL_H
#define NW_BOOK_TREND_INTERNAL_H

#include "book/book_internal.h"

#define BOOK_TREND_NIGHT "night"

/* The points of a trend in order of night: every row of one table, or, of two tables, a median of
 * each a night (*ret_is_joined). NOTFOUND, DATA as of nw_book_trend. */
enum nw_status book_trend_points(struct nw_book *book, const struct nw_book_trend_opts *opts,
                                 struct nw_book_trend *ret, bool *ret_is_joined,
                                 struct nw_err *err) NW_CHECKED;

#endif
