/* report_book.h - what the book says, as text and as nightwright.book.1 (one key "verb" says which
 * part of it the document is). A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_BOOK_H
#define NW_REPORT_BOOK_H

#include "book/book.h"
#include "report/report.h"

void nw_report_book_added_text(const struct nw_book_added *added, struct nw_buf *buf);
enum nw_status nw_report_book_added_json(const struct nw_book_added *added, json_t **ret,
                                         struct nw_err *err) NW_CHECKED;

void nw_report_book_nights_text(const struct nw_book_night *nights, size_t n, struct nw_buf *buf);
enum nw_status nw_report_book_nights_json(const struct nw_book_night *nights, size_t n,
                                          json_t **ret, struct nw_err *err) NW_CHECKED;

void nw_report_book_changes_text(const struct nw_book_change *changes, size_t n,
                                 struct nw_buf *buf);
enum nw_status nw_report_book_changes_json(const struct nw_book_change *changes, size_t n,
                                           json_t **ret, struct nw_err *err) NW_CHECKED;

void nw_report_book_trend_text(const struct nw_book_trend_opts *opts,
                               const struct nw_book_trend *trend, struct nw_buf *buf);
enum nw_status nw_report_book_trend_json(const struct nw_book_trend_opts *opts,
                                         const struct nw_book_trend *trend, json_t **ret,
                                         struct nw_err *err) NW_CHECKED;

void nw_report_book_accept_text(const struct nw_book_acceptance *all, size_t n, struct nw_buf *buf);
enum nw_status nw_report_book_accept_json(const struct nw_book_acceptance *all, size_t n,
                                          json_t **ret, struct nw_err *err) NW_CHECKED;

void nw_report_book_health_text(const struct nw_book_health *health, struct nw_buf *buf);
enum nw_status nw_report_book_health_json(const struct nw_book_health *health, json_t **ret,
                                          struct nw_err *err) NW_CHECKED;

#endif
