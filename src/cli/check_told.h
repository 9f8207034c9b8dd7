/* check_told.h - what trials say to many nights (check_told.c). */
#ifndef CLI_CHECK_TOLD_H
#define CLI_CHECK_TOLD_H

#include "book/told.h"
#include "cli/check_internal.h"

struct check_told_nights {
    const struct nw_apart_night *nights; /* in order, none empty */
    size_t n;
    bool has_filters; /* subs through other filters than the setup's are among them */
};
/* The night whose subs lie nearest to a moment, within half a day of one; SIZE_MAX: none. */
size_t check_told_night(const struct check_told_nights *all, double t_s);
enum nw_status check_told_read(const struct check_nights_opts *opts,
                               const struct check_told_nights *all, struct check_told *told,
                               struct nw_err *err) NW_CHECKED;
/* Trials that the book holds of this setup. */
enum nw_status check_told_book(struct nw_book *book, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct check_told_nights *nights,
                               struct check_told *told, struct nw_err *err) NW_CHECKED;

#endif
