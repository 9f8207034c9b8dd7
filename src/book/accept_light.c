/* accept_light.c - light of the same stars, tonight against the nights before.
 * Idea: no catalogue is needed: the stars that frames of one target have in common give each frame
 * a zero point against the others. */
#include <math.h>
#include <stdlib.h>

#include "book/accept_internal.h"

enum { MAX_FRAMES = BOOK_ACCEPT_NIGHTS + 8 };

struct frames {
    struct nw_measure measures[MAX_FRAMES];
    const struct nw_measure *views[MAX_FRAMES];
    struct nw_transmission results[MAX_FRAMES];
    double exposures[MAX_FRAMES], airmass[MAX_FRAMES];
    size_t n;
};

static enum nw_status add(struct nw_book *book, const struct book_sub *sub, struct frames *frames,
                          struct nw_err *err) {
    const size_t i = frames->n;
    frames->measures[i] =
        (struct nw_measure){.width_px = sub->width_px, .height_px = sub->height_px};
    frames->views[i] = &frames->measures[i];
    frames->exposures[i] = sub->exposure_s;
    frames->airmass[i] = sub->airmass;
    frames->n++;
    return book_read_stars(book, sub->id, sub->channel, &frames->measures[i], err);
}

/* What the extinction truly was is part of what is asked. */
static double light_of(const struct frames *frames, size_t i) {
    return book_zenith_light(frames->results[i].value, frames->airmass[i]);
}

static void share_out(const struct frames *frames, size_t n_now, struct book_light *ret) {
    double tonight[MAX_FRAMES];
    double best = 0.0;
    size_t n_tonight = 0;
    for (size_t i = 0; i < frames->n; i++) {
        const double light = light_of(frames, i);
        best = fmax(best, isfinite(light) ? light : 0.0);
    }
    for (size_t i = 0; i < frames->n && best > 0.0; i++) {
        const double light = light_of(frames, i) / best;
        if (isfinite(light) && i < n_now) {
            tonight[n_tonight++] = light;
        } else if (isfinite(light)) {
            ret->before[ret->n_before++] = light;
        }
    }
    ret->tonight = n_tonight > 0 ? nw_stat_median(tonight, n_tonight) : NAN;
}

/* A gain that both frames say must be the same; one that is not said is taken as unchanged. */
static bool is_same_gain(const struct book_sub *a, const struct book_sub *b) {
    return !(fabs(a->gain_setting - b->gain_setting) > 1e-6);
}

enum nw_status book_light_of(struct nw_book *book, const struct book_sub *now, size_t n_now,
                             const struct book_history *history, struct book_light *ret,
                             struct nw_err *err) {
    struct frames *const frames = nw_calloc(1, sizeof *frames);
    enum nw_status status = frames ? NW_OK : nw_err_set(err, NW_NOMEM, "stars of some nights");
    *ret = (struct book_light){.tonight = NAN};
    for (size_t i = 0; i < n_now && status == NW_OK; i++) {
        status = add(book, &now[i], frames, err);
    }
    for (size_t i = 0; i < history->n && status == NW_OK; i++) {
        if (book_is_same_target(&now[0], &history->first[i]) &&
            is_same_gain(&now[0], &history->first[i])) {
            status = add(book, &history->first[i], frames, err);
        }
    }
    if (status == NW_OK && frames->n > n_now) {
        const enum nw_status solved = nw_transmission_solve(frames->views, frames->exposures,
                                                            frames->n, frames->results, err);
        if (solved == NW_OK) {
            share_out(frames, n_now, ret);
        } else if (solved != NW_DATA) { /* DATA: cannot be told */
            status = solved;
        }
    }
    for (size_t i = 0; frames && i < frames->n; i++) {
        free(frames->measures[i].stars);
    }
    free(frames);
    return status;
}
