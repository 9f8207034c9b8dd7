/* trials_rank.c - which trial tells most in a minute: see trials.h. */
#include <math.h>
#include <stdlib.h>

#include "budget/trials.h"

#define FLOOR 0.01 /* of the squared width */

/* Covariance of what the terms add to the squared width. */
struct known {
    double c[NW_APART_N_TERMS][NW_APART_N_TERMS];
    double square[NW_APART_N_TERMS]; /* what each adds */
    double whole;
};

/* By the rig's word: no correlations. */
static void know_rig(const struct nw_star_budget *budget, struct known *ret) {
    ret->whole = budget->predicted_rad * budget->predicted_rad;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (nw_apart_term_line((enum nw_apart_term_id)k) < NW_STAR_N_LINES &&
            budget->lines[nw_apart_term_line((enum nw_apart_term_id)k)].is_present) {
            const struct nw_star_line *line =
                &budget->lines[nw_apart_term_line((enum nw_apart_term_id)k)];
            ret->square[k] = line->alone_rad * line->alone_rad;
            ret->c[k][k] = pow(2.0 * line->alone_rad * line->alone_sigma_rad, 2.0);
        }
    }
}

static void know_nights(const struct nw_apart *apart, struct known *ret) {
    for (int a = 0; a < NW_APART_N_TERMS; a++) {
        for (int b = 0; b < NW_APART_N_TERMS; b++) {
            const double r = apart->correlation[a][b];
            ret->c[a][b] =
                isfinite(r) ? r * apart->sensitivity_rad2[a] * apart->sensitivity_rad2[b] : 0.0;
        }
        ret->square[a] = apart->terms[a].value * apart->terms[a].value;
    }
    ret->square[NW_APART_EXTRA] = apart->terms[NW_APART_EXTRA].value;
}

static struct known know(const struct nw_star_budget *budget, const struct nw_apart *apart) {
    struct known known = {.whole = NAN};
    know_rig(budget, &known);
    if (apart && apart->why_null[0] == '\0') {
        know_nights(apart, &known);
    }
    return known;
}

static double bits_of(const struct known *known, const struct nw_trial *trial, double *ret_now,
                      double *ret_then) {
    double variance = 0.0;
    double square = 0.0;
    for (size_t i = 0; i < trial->n_terms; i++) {
        square += known->square[trial->terms[i]];
        for (size_t j = 0; j < trial->n_terms; j++) {
            variance += known->c[trial->terms[i]][trial->terms[j]];
        }
    }
    const double own = trial->own_error * square;
    const double whole = trial->whole_error * known->whole;
    const double error2 = own * own + whole * whole;
    *ret_now = sqrt(fmax(0.0, variance));
    *ret_then = variance > 0.0 ? sqrt(variance * error2 / (variance + error2)) : 0.0;
    return 0.5 * log2(1.0 + variance / (error2 + pow(FLOOR * known->whole, 2.0)));
}

static const char *why_not(const struct nw_setup *setup, enum nw_trial_id id) {
    switch (id) {
    case NW_TRIAL_PAIR_ABOUT_FOCUS:
    case NW_TRIAL_ACROSS_A_FOCUS_RUN:
    case NW_TRIAL_ROTATOR_HALF_TURN:
    case NW_TRIAL_TWO_TUBE_SIDES:
        return setup->has_focuser ? NULL : "the setup has no focuser";
    case NW_TRIAL_NARROW_AND_WIDE: {
        double least = INFINITY;
        double most = 0.0;
        for (size_t i = 0; i < setup->n_filters; i++) {
            least = fmin(least, setup->filters[i].width_m.v);
            most = fmax(most, setup->filters[i].width_m.v);
        }
        return most >= 3.0 * least ? NULL : "it takes two filters, one three times as wide";
    }
    default:
        return NULL;
    }
}

static int by_worth(const void *a, const void *b) {
    const struct nw_trial_rank *x = a;
    const struct nw_trial_rank *y = b;
    if (x->is_possible != y->is_possible) {
        return x->is_possible ? -1 : 1;
    }
    if (x->is_put_back != y->is_put_back) {
        return x->is_put_back ? 1 : -1;
    }
    if (x->bits_per_minute != y->bits_per_minute) {
        return x->bits_per_minute > y->bits_per_minute ? -1 : 1;
    }
    return x->trial->id < y->trial->id ? -1 : 1;
}

void nw_trials_rank(const struct nw_setup *setup, const struct nw_star_budget *budget,
                    const struct nw_apart *apart, struct nw_trial_rank ret[NW_N_TRIALS]) {
    const struct known known = know(budget, apart);
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const struct nw_trial *const trial = nw_trial_get((enum nw_trial_id)k);
        struct nw_trial_rank *const rank = &ret[k];
        *rank = (struct nw_trial_rank){.trial = trial,
                                       .sigma_now_rad2 = NAN,
                                       .sigma_then_rad2 = NAN,
                                       .why_not = why_not(setup, trial->id)};
        rank->is_possible = rank->why_not == NULL;
        if (trial->n_terms > 0) {
            rank->bits = bits_of(&known, trial, &rank->sigma_now_rad2, &rank->sigma_then_rad2);
            rank->bits_per_minute = rank->bits / trial->minutes;
        }
    }
    qsort(ret, NW_N_TRIALS, sizeof *ret, by_worth);
}

void nw_trials_done(struct nw_trial_rank ranks[NW_N_TRIALS], const char *trial, const char *date,
                    bool is_by_word, const char *since) {
    for (size_t k = 0; k < NW_N_TRIALS; k++) {
        struct nw_trial_rank *const rank = &ranks[k];
        if (strcmp(nw_trial_name(rank->trial->id), trial) == 0) {
            if (strcmp(date, rank->done) > 0) {
                nw_text_copy(rank->done, sizeof rank->done, date);
            }
            rank->is_put_back = rank->is_put_back || (strcmp(date, since) >= 0 &&
                                                      (is_by_word || rank->trial->n_terms == 0));
            break;
        }
    }
    qsort(ranks, NW_N_TRIALS, sizeof *ranks, by_worth);
}

const struct nw_trial *nw_trial_between(const struct nw_apart *apart, enum nw_apart_term_id a,
                                        enum nw_apart_term_id b) {
    struct known known = {.whole =
                              apart->terms[NW_APART_AIR].value * apart->terms[NW_APART_AIR].value};
    const struct nw_trial *best = NULL;
    double most = 0.0;
    know_nights(apart, &known);
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const struct nw_trial *const trial = nw_trial_get((enum nw_trial_id)k);
        bool has_a = false;
        bool has_b = false;
        double now;
        double then;
        for (size_t i = 0; i < trial->n_terms; i++) {
            has_a = has_a || trial->terms[i] == a;
            has_b = has_b || trial->terms[i] == b;
        }
        /* one that measures both together does not tell them apart */
        const double bits =
            has_a != has_b ? bits_of(&known, trial, &now, &then) / trial->minutes : 0.0;
        if (bits > most) {
            most = bits;
            best = trial;
        }
    }
    return best;
}
