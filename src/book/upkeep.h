/* upkeep.h - seventh public header of book: what the observatory wants done, when, and why.
 *
 * Tasks come with the program or from the owner. Each is due by its interval since it was last
 * noted as done (else since the book's first night), or earlier, when the nights of the book say
 * so: light that is lost, a room that stays damp, calibration frames that no longer fit, a changed
 * train. The intervals are common practice, no source. Nothing here judges whether a thing is safe:
 * mains is a licensed electrician's. */
#ifndef NW_BOOK_UPKEEP_H
#define NW_BOOK_UPKEEP_H

#include "book/book.h"

struct nw_upkeep {
    char name[80];
    bool is_owners;
    double every_s;               /* NaN: once, or only when the book says so */
    char last_done[NW_BOOK_DATE]; /* "": never noted */
    double due_s;                 /* noon UTC of the day; NaN: nothing says that it is due */
    char due[NW_BOOK_DATE];
    bool is_due;    /* today or before */
    char why[240];  /* what makes it due then */
    char note[240]; /* what to do */
    char caution[240];
};
/* In order of the day; those not due last. */
enum nw_status nw_upkeep_list(struct nw_book *book, double now_utc_s, struct nw_upkeep **ret,
                              size_t *ret_n, struct nw_err *err) NW_CHECKED;

/* Notes a task as done on a date. NOTFOUND: no such task (with the nearest); DOMAIN: no date. */
enum nw_status nw_upkeep_done(struct nw_book *book, const char *name, const char *date,
                              const char *note, double now_utc_s, struct nw_err *err) NW_CHECKED;
/* The owner's own task, or new words for it: every so often, or once on a date. DOMAIN: neither, or
 * a name that is taken by one of the program's. */
struct nw_upkeep_own {
    const char *name, *due, *note, *caution; /* due NULL or "": by the interval */
    double every_s;                          /* NaN: once, on `due` */
};
enum nw_status nw_upkeep_add(struct nw_book *book, const struct nw_upkeep_own *own,
                             struct nw_err *err) NW_CHECKED;
/* Takes an own task away; what was noted of it stays. NOTFOUND. */
enum nw_status nw_upkeep_forget(struct nw_book *book, const char *name,
                                struct nw_err *err) NW_CHECKED;

#endif
