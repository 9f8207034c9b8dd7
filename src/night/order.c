/* order.c - which one to three targets, in which order, changing when.
 * Idea: every ordered choice of up to three among the twelve that could bring most, every pair of
 * changing times on the slots: tried, none left out. Worth of a stretch is its sum, cut at what the
 * target still needs, less the slots that a change or a flip takes; weighted by priority (each step
 * of priority is a factor of 1.5: common practice, no source). Of orders within 0.5 % the one that
 * turns the rotator least wins. A stretch shorter than 45 min is none: setting up would eat it. */
#include <math.h>

#include "night/night_internal.h"

enum { CANDIDATES = 12, LEAST_SLOTS = 9 };

struct candidate {
    size_t target;
    double sum[NW_NIGHT_SLOTS + 1];   /* of worth [s], slot by slot */
    size_t count[NW_NIGHT_SLOTS + 1]; /* of slots with any */
    double need, weight, solo, angle_rad;
};
struct choice {
    size_t pick[NW_NIGHT_STEPS];
    size_t n;
    size_t from[NW_NIGHT_STEPS], to[NW_NIGHT_STEPS];
    double worth, turn_rad;
};
struct search {
    struct candidate c[CANDIDATES];
    size_t n, n_slots, change; /* slots that a change takes */
    double angle_rad;
    struct choice best, second;
};

static double block_worth(const struct candidate *c, size_t from, size_t to) {
    return to > from && c->count[to] - c->count[from] >= LEAST_SLOTS
               ? c->weight * fmin(c->need, c->sum[to] - c->sum[from])
               : 0.0;
}

static double turn_between(double a, double b) {
    return isfinite(a) && isfinite(b) ? fabs(remainder(b - a, NW_PI)) : 0.0;
}

static bool is_same_set(const struct choice *a, const struct choice *b) {
    return a->n == b->n && memcmp(a->pick, b->pick, a->n * sizeof a->pick[0]) == 0;
}

static void offer(struct search *s, const struct choice *c) {
    const bool is_near = c->worth > s->best.worth * 0.995 && c->worth < s->best.worth * 1.005;
    const bool is_better =
        is_near ? c->turn_rad < s->best.turn_rad - 1e-6 ||
                      (c->turn_rad < s->best.turn_rad + 1e-6 && c->worth > s->best.worth)
                : c->worth > s->best.worth;
    if (is_better) {
        if (!is_same_set(c, &s->best)) {
            s->second = s->best;
        }
        s->best = *c;
    } else if (c->worth > s->second.worth && !is_same_set(c, &s->best)) {
        s->second = *c;
    }
}

static void set_turns(const struct search *s, struct choice *c) {
    double angle = s->angle_rad;
    c->turn_rad = 0.0;
    for (size_t i = 0; i < c->n; i++) {
        const double next = s->c[c->pick[i]].angle_rad;
        c->turn_rad += turn_between(angle, next);
        angle = isfinite(next) ? next : angle;
    }
}

/* All changing times of one ordered choice; the best of them is offered. */
static void try_times(struct search *s, struct choice *c) {
    struct choice best = *c;
    best.worth = -1.0;
    const size_t n = s->n_slots;
    const size_t i_end = c->n > 1 ? n : 0;
    for (size_t i = 0; i <= i_end; i++) {
        const size_t first_to = c->n > 1 ? i : n;
        const double first = block_worth(&s->c[c->pick[0]], 0, first_to);
        for (size_t j = c->n > 2 ? first_to : n; j <= n; j++) {
            double worth = first;
            if (c->n > 1) {
                worth += block_worth(&s->c[c->pick[1]], first_to + s->change, c->n > 2 ? j : n);
            }
            if (c->n > 2) {
                worth += block_worth(&s->c[c->pick[2]], j + s->change, n);
            }
            if (worth > best.worth) {
                best.worth = worth;
                best.from[0] = 0;
                best.to[0] = first_to;
                best.from[1] = first_to + s->change;
                best.to[1] = c->n > 2 ? j : n;
                best.from[2] = j + s->change;
                best.to[2] = n;
            }
        }
    }
    if (best.worth > 0.0) {
        offer(s, &best);
    }
}

static void try_choices(struct search *s, size_t depth, size_t n_max, struct choice *c) {
    for (size_t k = 0; k < s->n; k++) {
        bool is_taken = false;
        for (size_t i = 0; i < depth; i++) {
            is_taken = is_taken || c->pick[i] == k;
        }
        if (is_taken) {
            continue;
        }
        c->pick[depth] = k;
        c->n = depth + 1;
        set_turns(s, c);
        try_times(s, c);
        if (depth + 1 < n_max) {
            try_choices(s, depth + 1, n_max, c);
        }
    }
    c->n = depth;
}

static void add_candidate(struct search *s, const struct nw_night_input *in, size_t i,
                          const struct night_table *t) {
    const double share = fmax(0.0, 1.0 - in->focus_run_s / fmax(in->focus_interval_s, 60.0));
    struct candidate c = {.target = i,
                          .need = t->total_need_s,
                          .weight = pow(1.5, 3 - in->targets->items[i].priority),
                          .angle_rad = in->targets->items[i].rotation_rad};
    for (size_t k = 0; k < s->n_slots; k++) {
        double worth = t->mean[k] * NW_SLOT_s * share;
        const double since_flip = t->flip_slot == SIZE_MAX || k < t->flip_slot
                                      ? INFINITY
                                      : (double)(k - t->flip_slot) * NW_SLOT_s;
        const double flip_left = in->targets->habits.flip_s - since_flip;
        worth *= flip_left > 0.0 ? fmax(0.0, 1.0 - flip_left / NW_SLOT_s) : 1.0;
        c.sum[k + 1] = c.sum[k] + worth;
        c.count[k + 1] = c.count[k] + (worth > 0.0);
    }
    c.solo = block_worth(&c, 0, s->n_slots);
    size_t at = s->n < CANDIDATES ? s->n : CANDIDATES - 1;
    if (c.solo <= 0.0 || (s->n == CANDIDATES && c.solo <= s->c[at].solo)) {
        return;
    }
    s->n += s->n < CANDIDATES;
    for (; at > 0 && s->c[at - 1].solo < c.solo; at--) {
        s->c[at] = s->c[at - 1];
    }
    s->c[at] = c;
}

/* A stretch begins and ends with slots that count. */
static void trim(const struct night_table *t, size_t *from, size_t *to) {
    while (*from < *to && !(t->mean[*from] > 0.0)) {
        (*from)++;
    }
    while (*to > *from && !(t->mean[*to - 1] > 0.0)) {
        (*to)--;
    }
}

void night_order(const struct nw_night_input *in, const struct night_table *tables,
                 struct nw_plan *plan) {
    struct search *const s = nw_calloc(1, sizeof *s);
    if (!s) {
        return;
    }
    s->n_slots = plan->n_slots;
    s->change = (size_t)ceil(in->targets->habits.slew_s / NW_SLOT_s);
    s->angle_rad = in->setup->camera_angle_rad.v;
    for (size_t i = 0; i < plan->n_targets; i++) {
        add_candidate(s, in, i, &tables[i]);
    }
    struct choice c = {.n = 0};
    try_choices(s, 0, (size_t)in->targets->habits.steps_max, &c);
    plan->worth_s = s->best.worth;
    plan->second_s = s->second.worth;
    for (size_t i = 0; i < s->second.n; i++) {
        plan->second[plan->n_second++] = s->c[s->second.pick[i]].target;
    }
    for (size_t i = 0; i < s->best.n; i++) {
        const struct candidate *const pick = &s->c[s->best.pick[i]];
        size_t from = s->best.from[i];
        size_t to = s->best.to[i];
        trim(&tables[pick->target], &from, &to);
        if (to <= from) {
            continue;
        }
        plan->order[plan->n_order] = pick->target;
        plan->from_s[plan->n_order] = plan->slot0_s + (double)from * NW_SLOT_s;
        plan->to_s[plan->n_order++] = plan->slot0_s + (double)to * NW_SLOT_s;
    }
    free(s);
}
