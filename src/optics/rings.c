/* rings.c - which of the owner's rings fill a gap; see spacing.h.
 * Idea: iterative deepening on the number of rings, so that the first sets found have the fewest;
 * sizes in falling order, and a branch is cut when even all of the largest size left is too short,
 * or the smallest possible filling is already too long. Exact: no rounding to a grid.
 * Holds: a multiset is reached once, since sizes are taken in order. */
#include <math.h>
#include <stdint.h>

#include "optics/spacing.h"

#define TRIES_MOST ((uint64_t)5000000)
#define MORE_RINGS 2 /* beyond the fewest that fit: more threads, each with its own error */
#define SAME_M 1e-9  /* lengths closer than this are one */

struct search {
    const struct nw_ring *rings[NW_RINGS_MAX]; /* longest first */
    size_t place[NW_RINGS_MAX];                /* in the caller's order */
    size_t n;
    double gap_m, tolerance_m;
    uint64_t tries;
    unsigned char n_of[NW_RINGS_MAX]; /* by sorted place */
    struct nw_ring_answer *answer;
};

static struct nw_ring_set set_of(const struct search *s, size_t n_rings) {
    struct nw_ring_set set = {.n_rings = n_rings};
    double variance = 0.0;
    for (size_t i = 0; i < s->n; i++) {
        const double count = s->n_of[i];
        const double sigma_m = isfinite(s->rings[i]->sigma_m) ? s->rings[i]->sigma_m : 0.0;
        set.n_of[s->place[i]] = s->n_of[i];
        set.length_m += count * s->rings[i]->length_m;
        variance += count * sigma_m * sigma_m;
    }
    set.error_m = set.length_m - s->gap_m;
    set.sigma_m = sqrt(variance);
    return set;
}

static bool is_better(const struct nw_ring_set *a, const struct nw_ring_set *b) {
    if (b->n_rings == SIZE_MAX || a->n_rings != b->n_rings) {
        return a->n_rings < b->n_rings;
    }
    return fabs(a->error_m) < fabs(b->error_m) - SAME_M;
}

static void keep(struct nw_ring_answer *answer, const struct nw_ring_set *set) {
    answer->n_fitting++;
    size_t at = answer->n_sets;
    if (at == NW_RING_SETS_MAX) {
        at--;
        if (!is_better(set, &answer->sets[at])) {
            return;
        }
    } else {
        answer->n_sets++;
    }
    for (; at > 0 && is_better(set, &answer->sets[at - 1]); at--) {
        answer->sets[at] = answer->sets[at - 1];
    }
    answer->sets[at] = *set;
}

/* Outside the tolerance: the nearest on each side, of equals the one with fewest rings. */
static void outside(struct nw_ring_set *best, const struct nw_ring_set *set) {
    const bool is_nearer =
        best->n_rings == SIZE_MAX || fabs(set->error_m) < fabs(best->error_m) - SAME_M ||
        (fabs(set->error_m) < fabs(best->error_m) + SAME_M && set->n_rings < best->n_rings);
    if (is_nearer) {
        *best = *set;
    }
}

static void finish_set(struct search *s, size_t n_rings) {
    const struct nw_ring_set set = set_of(s, n_rings);
    if (fabs(set.error_m) <= s->tolerance_m + SAME_M) {
        keep(s->answer, &set);
    } else {
        outside(set.error_m < 0.0 ? &s->answer->below : &s->answer->above, &set);
    }
}

/* Whether `length` with `left` rings more, of sizes from `first` on, may still matter: it can reach
 * the tolerance, or come nearer than the best outside. */
static bool can_matter(const struct search *s, size_t first, size_t left, double length_m) {
    double most_m = length_m;
    double least_m = length_m;
    size_t rest = left;
    for (size_t i = first; i < s->n && rest > 0; i++) {
        const size_t take = s->rings[i]->count < rest ? s->rings[i]->count : rest;
        most_m += (double)take * s->rings[i]->length_m;
        rest -= take;
    }
    if (rest > 0) {
        return false; /* not that many rings */
    }
    rest = left;
    for (size_t i = s->n; i > first && rest > 0; i--) {
        const size_t take = s->rings[i - 1]->count < rest ? s->rings[i - 1]->count : rest;
        least_m += (double)take * s->rings[i - 1]->length_m;
        rest -= take;
    }
    const struct nw_ring_answer *a = s->answer;
    const double below_m = a->below.n_rings == SIZE_MAX ? -INFINITY : a->below.length_m;
    const double above_m = a->above.n_rings == SIZE_MAX ? INFINITY : a->above.length_m;
    return most_m >= below_m - SAME_M && least_m <= above_m + SAME_M;
}

/* Takes 0, 1, ... of size `at`, then the sizes behind it. false: too many tries. */
static bool descend(struct search *s, size_t at, size_t left, size_t n_rings, double length_m) {
    if (left == 0) {
        finish_set(s, n_rings);
        return true;
    }
    if (at == s->n || !can_matter(s, at, left, length_m)) {
        return true;
    }
    if (++s->tries > TRIES_MOST) {
        return false;
    }
    const size_t most = s->rings[at]->count < left ? s->rings[at]->count : left;
    bool is_done = true;
    for (size_t take = most + 1; take-- > 0 && is_done;) {
        s->n_of[at] = (unsigned char)take;
        is_done = descend(s, at + 1, left - take, n_rings,
                          length_m + (double)take * s->rings[at]->length_m);
    }
    s->n_of[at] = 0;
    return is_done;
}

static enum nw_status check(const struct nw_ring *rings, size_t n, double gap_m, double tolerance_m,
                            size_t most, struct nw_err *err) {
    if (n > NW_RINGS_MAX) {
        return nw_err_set(err, NW_DOMAIN, "%zu sizes of rings, at most %d are tried", n,
                          NW_RINGS_MAX);
    }
    for (size_t i = 0; i < n; i++) {
        if (!(rings[i].length_m > 0.0 && isfinite(rings[i].length_m))) {
            return nw_err_set(err, NW_DOMAIN, "ring %zu: length %g mm is not > 0", i + 1,
                              rings[i].length_m * 1e3);
        }
    }
    if (!(gap_m >= 0.0 && isfinite(gap_m))) {
        return nw_err_set(err, NW_DOMAIN, "gap of %g mm: rings only make longer", gap_m * 1e3);
    }
    if (!(tolerance_m >= 0.0 && isfinite(tolerance_m))) {
        return nw_err_set(err, NW_DOMAIN, "tolerance %g mm is not >= 0", tolerance_m * 1e3);
    }
    if (most < 1 || most > NW_RINGS_IN_SET) {
        return nw_err_set(err, NW_DOMAIN, "%zu rings in a set, expected 1 to %d", most,
                          NW_RINGS_IN_SET);
    }
    return NW_OK;
}

enum nw_status nw_rings_solve(const struct nw_ring *rings, size_t n, double gap_m,
                              double tolerance_m, size_t most, struct nw_ring_answer *ret,
                              struct nw_err *err) {
    enum nw_status status = check(rings, n, gap_m, tolerance_m, most, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_ring_answer answer = {
        .below = {.n_rings = SIZE_MAX}, .above = {.n_rings = SIZE_MAX}, .shim_m = NAN};
    struct search s = {.n = n, .gap_m = gap_m, .tolerance_m = tolerance_m, .answer = &answer};
    for (size_t i = 0; i < n; i++) {
        size_t at = i;
        for (; at > 0 && s.rings[at - 1]->length_m < rings[i].length_m; at--) {
            s.rings[at] = s.rings[at - 1];
            s.place[at] = s.place[at - 1];
        }
        s.rings[at] = &rings[i];
        s.place[at] = i;
    }
    bool is_done = true;
    size_t last = most;
    for (size_t k = 0; k <= last && is_done; k++) {
        is_done = descend(&s, 0, k, k, 0.0);
        if (answer.n_sets > 0 && answer.sets[0].n_rings + MORE_RINGS < last) {
            last = answer.sets[0].n_rings + MORE_RINGS;
        }
    }
    if (!is_done) {
        return nw_err_set(err, NW_LIMIT,
                          "more than %d million sets of rings: fewer sizes, or fewer in a set",
                          (int)(TRIES_MOST / 1000000));
    }
    if (answer.n_sets == 0 && answer.below.n_rings != SIZE_MAX) {
        answer.shim_m = -answer.below.error_m;
    }
    *ret = answer;
    return NW_OK;
}
