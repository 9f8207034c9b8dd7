/* numbers.h - what the small programs of this folder that read lines of numbers share. */
#ifndef NW_TEST_NUMBERS_H
#define NW_TEST_NUMBERS_H

#include "base/base.h"

/* n numbers split by blanks at the beginning of a line. */
static inline bool read_numbers(const char *line, double *v, int n) {
    for (int i = 0; i < n; i++) {
        line = nw_text_scan_double(line, &v[i]);
        if (!line) {
            return false;
        }
        line += strspn(line, " \t");
    }
    return true;
}

#endif
