/* changes_internal.h - shared by the files that look for changes from night to night. */
#ifndef NW_BOOK_CHANGES_INTERNAL_H
#define NW_BOOK_CHANGES_INTERNAL_H

#include "book/book_internal.h"

enum { CHANGES_SETTINGS = 64, CHANGES_VALUES = 16, CHANGES_NAME = 160, CHANGES_VALUE = 80 };

/* The values one setting had in a night, sorted. */
struct changes_setting {
    char what[CHANGES_NAME];
    char values[CHANGES_VALUES][CHANGES_VALUE];
    size_t n;
};
struct changes_state {
    struct changes_setting items[CHANGES_SETTINGS];
    size_t n;
};

/* A night of a train (0: of the guide logs), and the one before it with the same (0: none). */
struct changes_pair {
    int64_t night, train, before;
};

void changes_add(struct changes_state *state, const char *what, const char *value);
void changes_add_lines(struct changes_state *state, const char *text); /* "gain=100\n..." */
/* Writes an entry for each set of values that differs. */
enum nw_status changes_compare(struct nw_book *book, const struct changes_pair *pair,
                               struct changes_state *old, struct changes_state *now,
                               struct nw_err *err) NW_CHECKED;
/* Guide logs of stale nights and those that follow them; states: room for two. */
enum nw_status changes_of_guiding(struct nw_book *book, struct changes_state *states,
                                  struct nw_err *err) NW_CHECKED;

#endif
