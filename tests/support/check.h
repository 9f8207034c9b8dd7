/* check.h - comparisons that say who claims the number. */
#ifndef NW_TEST_CHECK_H
#define NW_TEST_CHECK_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
/* after the four above */
#include <cmocka.h>

/* Absolute tolerance; fails on NaN; prints got, want, tolerance and source. */
static inline void check_near_at(double got, double want, double tol, const char *source,
                                 const char *file, int line) {
    if (!(fabs(got - want) <= tol)) {
        print_error("got %.12g, want %.12g +- %.3g  [%s]\n", got, want, tol, source);
        _fail(file, line);
    }
}
#define check_near(got, want, tol, source)                                                         \
    check_near_at((got), (want), (tol), (source), __FILE__, __LINE__)

#endif
