/* parallel.h - the only place where threads start; progress and cancellation for long work. */
#ifndef NW_PARALLEL_H
#define NW_PARALLEL_H

#include <stdbool.h>
#include <stddef.h>

/* Told how far the work is, 0 <= done <= total; returns false to ask for a stop. Called from one
 * thread at a time. NULL where nobody listens. */
struct nw_progress {
    bool (*tell)(void *user, size_t done, size_t total);
    void *user;
};

/* Runs body(user, i) for 0 <= i < n on n_threads threads (0 = all cores), in any order, dynamic
 * schedule. body must write only to what belongs to i. A loop inside a body starts threads of its
 * own: give it 1 unless more are wanted. Threads begin and end with the loop (30 us each): no loops
 * of microseconds. Returns how many were done (less than n only when progress asked for a stop). */
size_t nw_parallel_for(size_t n, int n_threads, void (*body)(void *user, size_t i), void *user,
                       const struct nw_progress *progress);

#endif
