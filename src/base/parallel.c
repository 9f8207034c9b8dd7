/* parallel.c - see parallel.h; the only file that starts threads.
 * Idea: every loop starts its own threads and waits for their end (30 us each on Linux): nobody
 * spins or sleeps between loops, nothing is left behind, and a fork is safe. A shared counter gives
 * the next index away; another, raised and told under a lock, lets the listener hear 1, 2, 3 ...
 * from one thread at a time. A stop request lets running bodies end.
 * Holds: 1. threads have the priority of the one that starts the loop (they inherit it), and block
 * all signals, so handlers run where they ran before. 2. where no thread can be started the loop
 * goes on with those there are. */
#include "base/parallel.h"

#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { THREADS_MAX = 256 };

/* The cores this process may use: less than the machine has, where somebody limited it. */
static int usable_cores(void) {
#ifdef SYS_sched_getaffinity
    unsigned long mask[16] = {0}; /* a bit for each of 1024 cores */
    if (syscall(SYS_sched_getaffinity, 0, sizeof mask, mask) > 0) {
        int count = 0;
        for (size_t k = 0; k < sizeof mask / sizeof mask[0]; k++) {
            count += __builtin_popcountl(mask[k]);
        }
        return count > 0 ? count : 1;
    }
#endif
    const long n = sysconf(_SC_NPROCESSORS_ONLN);
    return n > 0 && n < THREADS_MAX ? (int)n : 1;
}

static int usable_threads(size_t n, int n_threads) {
    if (n < 2 || n_threads == 1) {
        return 1;
    }
    const int wanted = n_threads > 0 ? n_threads : usable_cores();
    const int most = wanted < THREADS_MAX ? wanted : THREADS_MAX;
    return n < (size_t)most ? (int)n : most;
}

struct loop {
    void (*body)(void *user, size_t i);
    void *user;
    const struct nw_progress *progress; /* NULL: nobody listens */
    size_t n;
    atomic_size_t next, n_done;
    atomic_bool is_stopped;
    pthread_mutex_t telling;
};

static void turn(struct loop *loop, size_t i) {
    loop->body(loop->user, i);
    if (!loop->progress) {
        atomic_fetch_add(&loop->n_done, 1);
        return;
    }
    (void)pthread_mutex_lock(&loop->telling);
    const size_t n_done = atomic_fetch_add(&loop->n_done, 1) + 1;
    if (!atomic_load(&loop->is_stopped) &&
        !loop->progress->tell(loop->progress->user, n_done, loop->n)) {
        atomic_store(&loop->is_stopped, true);
    }
    (void)pthread_mutex_unlock(&loop->telling);
}

static void *take_turns(void *user) {
    struct loop *const loop = user;
    while (!atomic_load(&loop->is_stopped)) {
        const size_t i = atomic_fetch_add(&loop->next, 1);
        if (i >= loop->n) {
            break;
        }
        turn(loop, i);
    }
    return NULL;
}

/* How many of n threads could be started. */
static int start_threads(struct loop *loop, int n, pthread_t threads[static THREADS_MAX]) {
    sigset_t all;
    sigset_t before;
    (void)sigfillset(&all);
    (void)pthread_sigmask(SIG_BLOCK, &all, &before);
    int started = 0;
    while (started < n && pthread_create(&threads[started], NULL, take_turns, loop) == 0) {
        started++;
    }
    (void)pthread_sigmask(SIG_SETMASK, &before, NULL);
    return started;
}

size_t nw_parallel_for(size_t n, int n_threads, void (*body)(void *user, size_t i), void *user,
                       const struct nw_progress *progress) {
    if (n == 0) {
        return 0;
    }
    struct loop loop = {.body = body,
                        .user = user,
                        .progress = progress && progress->tell ? progress : NULL,
                        .n = n,
                        .telling = PTHREAD_MUTEX_INITIALIZER};
    pthread_t threads[THREADS_MAX];
    const int started = start_threads(&loop, usable_threads(n, n_threads) - 1, threads);
    (void)take_turns(&loop);
    for (int k = 0; k < started; k++) {
        (void)pthread_join(threads[k], NULL);
    }
    (void)pthread_mutex_destroy(&loop.telling);
    return atomic_load(&loop.n_done);
}
