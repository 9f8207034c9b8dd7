/* flats_angle.c - the camera's angle as stars show it; see flats_angle.h. */
#include "cli/flats_angle.h"

#include <math.h>

#include "cli/catalogue_file.h"
#include "cli/star_list.h"
#include "light/panel.h"
#include "light/throughput.h"

static const double SAME_NIGHT_S = 18.0 * 3600.0;
enum { MAX_STARS = 400, KEPT_STARS = 500, STARS_LEAST = 5 };

enum nw_status cli_turns_measure(const struct cli_args *args, const struct nw_paths *lights,
                                 const struct nw_setup *setup, struct cli_turns *ret,
                                 struct nw_err *err) {
    const struct nw_series_opts opts = {.channel = NW_CHANNEL_G,
                                        .pattern_if_unsaid = setup->camera.pattern,
                                        .measure = {.max_stars = 2000, .fit_stars = 100},
                                        .is_summary_only = false,
                                        .keep_stars = KEPT_STARS};
    *ret = (struct cli_turns){.setup = setup};
    const char *const path = cli_text(args, "catalogue");
    struct nw_err none = {0};
    const enum nw_status status = cli_catalogue_open(path, &ret->catalogue, path ? err : &none);
    if (status != NW_OK) {
        ret->catalogue = NULL;
        if (path) {
            return status;
        }
    }
    return nw_series_measure((const char *const *)lights->items, lights->n, &opts, NULL,
                             &ret->series, err);
}

void cli_turns_done(struct cli_turns *turns) {
    nw_series_done(&turns->series);
    nw_catalogue_close(turns->catalogue);
}

static const struct nw_frame_facts *facts_of(const struct cli_turns *turns, size_t i) {
    const struct nw_series_item *const item = &turns->series.items[i];
    return item->status == NW_OK ? &item->frame->facts : NULL;
}

size_t cli_turns_nearest(const struct cli_turns *turns, double t_utc_s) {
    size_t best = SIZE_MAX;
    double best_s = SAME_NIGHT_S;
    for (size_t i = 0; i < turns->series.n; i++) {
        const struct nw_frame_facts *const f = facts_of(turns, i);
        const double gap_s = f ? fabs(f->t_start_utc_s - t_utc_s) : NAN;
        if (gap_s <= best_s) {
            best = i;
            best_s = gap_s;
        }
    }
    return best;
}

/* Whether a frame shows stars: one without shows what the chip itself has, which never turns. */
static bool has_stars(const struct cli_turns *turns, size_t i) {
    return turns->series.items[i].measures[0]->n_used >= STARS_LEAST;
}

/* Angle of the frame against the catalogue's north, and its handedness. */
static bool field_angle(const struct cli_turns *turns, size_t i, double *ret_rad,
                        bool *ret_is_mirrored) {
    const struct nw_frame_facts *const f = facts_of(turns, i);
    struct nw_reference stars[MAX_STARS];
    struct nw_light_field_of_stars found;
    if (!turns->catalogue || !isfinite(f->ra_rad + f->dec_rad)) {
        return false;
    }
    const double place_rad[2] = {f->ra_rad, f->dec_rad};
    const size_t n =
        cli_star_list(turns->catalogue, turns->setup, place_rad, 12.0, MAX_STARS, stars);
    const struct nw_light_case what = {.setup = turns->setup};
    const struct nw_throughput_case one = {.what = &what,
                                           .stars = turns->series.items[i].measures[0],
                                           .ra_rad = f->ra_rad,
                                           .dec_rad = f->dec_rad,
                                           .references = stars,
                                           .n = n};
    if (nw_light_find_field(&one, &found, NULL) != NW_OK) {
        return false;
    }
    *ret_rad = found.is_mirrored ? -found.rotation_rad : found.rotation_rad;
    *ret_is_mirrored = found.is_mirrored;
    return true;
}

double cli_turn_between(const struct cli_turns *turns, size_t from, size_t to,
                        bool *ret_by_catalogue) {
    const struct nw_frame_facts *const a = facts_of(turns, from);
    const struct nw_frame_facts *const b = facts_of(turns, to);
    struct nw_match match = {0};
    double angle[2];
    bool is_mirrored[2];
    *ret_by_catalogue = false;
    if (!a || !b) {
        return NAN;
    }
    if (from == to) {
        return 0.0;
    }
    if (!has_stars(turns, from) || !has_stars(turns, to)) {
        return NAN;
    }
    if (nw_stars_match(turns->series.items[from].measures[0], turns->series.items[to].measures[0],
                       &match, NULL) == NW_OK) {
        const double rotation = -match.rotation_rad; /* it lays the second on the first */
        nw_match_done(&match);
        return nw_flat_turn_of(rotation, a->tube_side, b->tube_side);
    }
    *ret_by_catalogue = true;
    return field_angle(turns, from, &angle[0], &is_mirrored[0]) &&
                   field_angle(turns, to, &angle[1], &is_mirrored[1]) &&
                   is_mirrored[0] == is_mirrored[1]
               ? nw_flat_turn_of(angle[1] - angle[0], a->tube_side, b->tube_side)
               : NAN;
}
