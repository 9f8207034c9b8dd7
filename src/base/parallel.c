/* parallel.c - see parallel.h; the only file that knows OpenMP.
 * Idea: one shared counter of what is done, raised and told inside a critical section, so that the
 * listener hears 1, 2, 3 ... from one thread at a time. A stop request lets running bodies end.
 * Holds: never fork after it (a child of libgomp hangs in its next loop). */
#include "base/parallel.h"

#include <omp.h>

enum { THREADS_MAX = 256 };

static int usable_threads(size_t n, int n_threads) {
    const int wanted = n_threads > 0 ? n_threads : omp_get_max_threads();
    const int most = wanted < THREADS_MAX ? wanted : THREADS_MAX;
    return n < (size_t)most ? (int)n : most;
}

size_t nw_parallel_for(size_t n, int n_threads, void (*body)(void *user, size_t i), void *user,
                       const struct nw_progress *progress) {
    if (n == 0) {
        return 0;
    }
    const bool is_told = progress && progress->tell;
    size_t n_done = 0;
    bool is_stopped = false;
#pragma omp parallel for schedule(dynamic) num_threads(usable_threads(n, n_threads))
    for (size_t i = 0; i < n; i++) {
        bool is_skipped = false;
#pragma omp atomic read
        is_skipped = is_stopped;
        if (is_skipped) {
            continue;
        }
        body(user, i);
        if (!is_told) {
#pragma omp atomic update
            n_done++;
            continue;
        }
#pragma omp critical(nw_parallel_progress)
        {
#pragma omp atomic update
            n_done++;
            if (!is_stopped && !progress->tell(progress->user, n_done, n)) {
#pragma omp atomic write
                is_stopped = true;
            }
        }
    }
    return n_done;
}
