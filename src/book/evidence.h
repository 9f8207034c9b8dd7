/* evidence.h - third public header of book: a night of the book as evidence for the budgets, as if
 * its files had been read. */
#ifndef NW_BOOK_EVIDENCE_H
#define NW_BOOK_EVIDENCE_H

#include "air/log.h"
#include "book/book.h"
#include "budget/budget.h"
#include "budget/ledger_seen.h"
#include "power/power_log.h"

/* The guide runs of a night as they were read: samples, pulses, events, header values (single
 * precision; the SNR is not kept). Runs without dates are left out. *ret->n may be 0.
 * nw_guide_runs_free. */
enum nw_status nw_book_guide_runs(struct nw_book *book, const char *date,
                                  struct nw_guide_runs **ret, struct nw_err *err) NW_CHECKED;

/* The measured light frames of a night in order of time, those of one filter ("": all), green of
 * colour frames. Widths on the sky need a scale: scale_rad_px is taken for all (that of the setup).
 * Airmass from the header, else from coordinates, time and place. None is no error. */
struct nw_book_frames_opts {
    const char *date, *filter;
    double scale_rad_px;
    const struct nw_rig *rig;
};
struct nw_book_frames {
    struct nw_star_frame *stars;
    struct nw_measure *measures;  /* beside them: sizes and the listed stars alone */
    struct nw_frame_facts *facts; /* likewise; what the book does not keep is NaN or "" */
    size_t n;
};
enum nw_status nw_book_star_frames(struct nw_book *book, const struct nw_book_frames_opts *opts,
                                   struct nw_book_frames *ret, struct nw_err *err) NW_CHECKED;
void nw_book_frames_done(struct nw_book_frames *frames);

/* The light frames of a night in order of time, all filters, measured or not, of the camera that
 * took most of them: for the budgets of light and time. is_of_filter is the caller's to fill. *ret
 * is yours to free; none is no error. */
enum nw_status nw_book_seen_subs(struct nw_book *book, const char *date, struct nw_seen_sub **ret,
                                 size_t *ret_n, struct nw_err *err) NW_CHECKED;

/* The climate log of a night as it was read, without a rig (nw_air_log_read_plain): single
 * precision, rows in order of time, gaps where it has gaps; ret->n may be 0. nw_air_log_adopt makes
 * it one of a rig. Of two logs of the same hours the longer counts. nw_air_log_done. */
enum nw_status nw_book_climate(struct nw_book *book, const char *date, struct nw_air_log *ret,
                               struct nw_err *err) NW_CHECKED;
/* Likewise the power log of a night; logs without dates belong to none. nw_power_rows_csv and
 * nw_power_log_parse analyse it. nw_power_rows_done. */
enum nw_status nw_book_power(struct nw_book *book, const char *date, struct nw_power_rows *ret,
                             struct nw_err *err) NW_CHECKED;

#endif
