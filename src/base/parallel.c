/* parallel.c - see parallel.h; the only file that knows OpenMP.
 * Idea: one shared counter of what is done, raised and told inside a critical section, so that the
 * listener hears 1, 2, 3 ... from one thread at a time. A stop request lets running bodies end.
 * Holds: 1. one thread alone enters no parallel region, so that loops inside its body use the pool
 * of threads (inside a region, even of one thread, libgomp makes new ones for each loop). 2. never
 * fork after it (a child of libgomp hangs in its next loop). */
#include "base/parallel.h"

#include <omp.h>

enum { THREADS_MAX = 256 };

static int usable_threads(size_t n, int n_threads) {
    const int wanted = n_threads > 0 ? n_threads : omp_get_max_threads();
    const int most = wanted < THREADS_MAX ? wanted : THREADS_MAX;
    return n < (size_t)most ? (int)n : most;
}

struct loop {
    void (*body)(void *user, size_t i);
    void *user;
    const struct nw_progress *progress; /* NULL: nobody listens */
    size_t n, n_done;
    bool is_stopped;
};

static void turn(struct loop *loop, size_t i) {
    bool is_skipped = false;
#pragma omp atomic read
    is_skipped = loop->is_stopped;
    if (is_skipped) {
        return;
    }
    loop->body(loop->user, i);
    if (!loop->progress) {
#pragma omp atomic update
        loop->n_done++;
        return;
    }
#pragma omp critical(nw_parallel_progress)
    {
#pragma omp atomic update
        loop->n_done++;
        if (!loop->is_stopped &&
            !loop->progress->tell(loop->progress->user, loop->n_done, loop->n)) {
#pragma omp atomic write
            loop->is_stopped = true;
        }
    }
}

size_t nw_parallel_for(size_t n, int n_threads, void (*body)(void *user, size_t i), void *user,
                       const struct nw_progress *progress) {
    if (n == 0) {
        return 0;
    }
    struct loop loop = {.body = body,
                        .user = user,
                        .progress = progress && progress->tell ? progress : NULL,
                        .n = n};
    const int threads = usable_threads(n, n_threads);
    if (threads == 1) {
        for (size_t i = 0; i < n; i++) {
            turn(&loop, i);
        }
        return loop.n_done;
    }
#pragma omp parallel for schedule(dynamic) num_threads(threads)
    for (size_t i = 0; i < n; i++) {
        turn(&loop, i);
    }
    return loop.n_done;
}
