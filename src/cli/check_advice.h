/* check_advice.h - what `check` advised before, and whether it held (check_advice.c). */
#ifndef CLI_CHECK_ADVICE_H
#define CLI_CHECK_ADVICE_H

#include "book/told.h"
#include "cli/check_internal.h"

struct check_advised {
    struct nw_book_advice *items; /* one a change, the last word on it before it was made */
    size_t n;
};
struct check_advice_of {
    struct nw_book *book; /* open for writing */
    const char *rig_path;
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const char *date; /* of the night at hand */
};
/* Judges what was advised before and done since, and keeps what is advised now (budget->advice),
 * with the rig file as it is. *ret: check_advised_done. */
enum nw_status check_advice(const struct check_advice_of *of, const struct nw_star_budget *budget,
                            struct check_advised *ret, struct nw_err *err) NW_CHECKED;
void check_advised_done(struct check_advised *advised);

/* Does a text hold a word, whatever its case? */
bool check_holds(const char *text, const char *word);

#endif
