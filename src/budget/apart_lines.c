/* apart_lines.c - what many nights leave of each line, as evidence of a budget. */
#include "budget/apart.h"

size_t nw_apart_lines(const struct nw_apart *apart, struct nw_star_known ret[NW_STAR_N_LINES]) {
    size_t n = 0;
    for (int k = 0; k < NW_APART_N_TERMS && apart->why_null[0] == '\0'; k++) {
        const struct nw_apart_term *const term = &apart->terms[k];
        const enum nw_star_line_id line = nw_apart_term_line(term->id);
        if (term->is_present && line != NW_STAR_N_LINES && term->value > 0.0) {
            ret[n++] = (struct nw_star_known){line, term->value, term->sigma};
        }
    }
    return n;
}
