/* trials_recognise.c - which trials the frames of a night are of: see trials.h.
 * Each trial that is a difference of widths is tried; one that can be told is one that was made,
 * unless it must have been made on purpose. */
#include <math.h>
#include <stdlib.h>

#include "budget/trials.h"

enum { TURNS_LEAST = 4 };
static const double SHORT_SUB_S = 90.0;

static const enum nw_trial_id IDS[NW_TRIALS_OF_WIDTHS] = {
    NW_TRIAL_SHORT_AND_LONG, NW_TRIAL_NARROW_AND_WIDE, NW_TRIAL_ACROSS_A_FOCUS_RUN,
    NW_TRIAL_FIRST_AND_THIRD_HOUR}; /* the more telling first: lengths, filters, focuser */

static bool is_on_purpose(const struct nw_trial_result *result) {
    switch (result->trial->id) {
    case NW_TRIAL_SHORT_AND_LONG:
    case NW_TRIAL_NARROW_AND_WIDE:
        return result->n_turns >= TURNS_LEAST;
    default:
        return fmax(result->longest_a_s, result->longest_b_s) <= SHORT_SUB_S;
    }
}

/* Frames that do not say their filter are of the setup's. */
static bool is_of_filter(const struct nw_setup *setup, const char *header) {
    const struct nw_filter *const filter = nw_setup_filter_of(setup, header);
    return !header || header[0] == '\0' ||
           (filter && nw_text_equal_nocase(filter->name, setup->filter.name));
}

/* Arrays of the frames that a trial may be made of. */
struct chosen {
    struct nw_star_frame *frames;
    double *steps;
    const char **filters;
    struct nw_trial_frames all;
};

static enum nw_status choose(const struct nw_setup *setup, const struct nw_trial_frames *from,
                             struct chosen *ret, struct nw_err *err) {
    ret->frames = nw_calloc(from->n + 1, sizeof *ret->frames);
    ret->steps = nw_calloc(from->n + 1, sizeof *ret->steps);
    ret->filters = nw_calloc(from->n + 1, sizeof *ret->filters);
    if (!ret->frames || !ret->steps || !ret->filters) {
        return nw_err_set(err, NW_NOMEM, "trials of %zu frames", from->n);
    }
    size_t n = 0;
    bool takes_all = true; /* names that the rig does not know: one filter, as far as it knows */
    for (size_t i = 0; i < from->n; i++) {
        takes_all = takes_all && !(from->filters && nw_setup_filter_of(setup, from->filters[i]));
    }
    for (size_t i = 0; i < from->n; i++) {
        const char *const filter = from->filters ? from->filters[i] : "";
        if (takes_all || is_of_filter(setup, filter)) {
            ret->frames[n] = from->frames[i];
            ret->steps[n] = from->focuser_steps ? from->focuser_steps[i] : NAN;
            ret->filters[n++] = filter;
        }
    }
    ret->all = (struct nw_trial_frames){
        .frames = ret->frames, .focuser_steps = ret->steps, .filters = ret->filters, .n = n};
    return NW_OK;
}

enum nw_status nw_trials_recognise(const struct nw_rig *rig, const struct nw_setup *setup,
                                   const struct nw_trial_frames *frames, bool strict,
                                   struct nw_trial_result ret[NW_TRIALS_OF_WIDTHS], size_t *ret_n,
                                   struct nw_err *err) {
    struct chosen chosen = {.frames = NULL};
    size_t n = 0;
    enum nw_status status = choose(setup, frames, &chosen, err);
    for (size_t i = 0; i < NW_TRIALS_OF_WIDTHS && status == NW_OK; i++) {
        const bool is_of_filters = IDS[i] == NW_TRIAL_NARROW_AND_WIDE;
        status = nw_trial_evaluate(nw_trial_get(IDS[i]), rig, setup,
                                   is_of_filters ? frames : &chosen.all, &ret[n], err);
        n += status == NW_OK && ret[n].is_told && (!strict || is_on_purpose(&ret[n])) ? 1 : 0;
    }
    free(chosen.frames);
    free(chosen.steps);
    free(chosen.filters);
    *ret_n = status == NW_OK ? n : 0;
    return status;
}
