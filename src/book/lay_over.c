/* lay_over.c - scale and rotation: tonight's stars laid over those of the same target before. */
#include <math.h>

#include "book/accept_internal.h"

/* A focus run and the temperature move the scale by less than this; a changed ring or corrector by
 * more. The camera turned by more than the second shows in flats and mosaics. Common practice, no
 * source. */
static const double SCALE_TOLERANCE = 1e-3;
static const double ROTATION_TOLERANCE_DEG = 0.3;
static const double SAME_PLACE_RAD = 0.1 * NW_RAD_PER_DEG;

bool book_is_same_target(const struct book_sub *a, const struct book_sub *b) {
    const bool is_near = hypot(remainder(a->ra_rad - b->ra_rad, 2.0 * NW_PI) * cos(a->dec_rad),
                               a->dec_rad - b->dec_rad) < SAME_PLACE_RAD;
    const bool is_named = a->object[0] != '\0' && nw_text_equal_nocase(a->object, b->object);
    return (is_named || is_near) && fabs(a->exposure_s - b->exposure_s) < 0.01 * a->exposure_s;
}

struct nw_book_check *book_add_check(struct nw_book_acceptance *a, const char *what,
                                     const char *unit) {
    struct nw_book_check *const check = &a->checks[a->n_checks++];
    *check = (struct nw_book_check){.what = what,
                                    .unit = unit,
                                    .tonight = NAN,
                                    .usual = NAN,
                                    .low = NAN,
                                    .high = NAN,
                                    .verdict = NW_BOOK_IS_UNKNOWN};
    return check;
}

/* *ret_date NULL: no night on this target, or the stars do not lie over each other. */
static enum nw_status lay_over(struct nw_book *book, const struct book_sub *now,
                               const struct book_history *history, double *ret_scale,
                               double *ret_rotation_rad, const char **ret_date,
                               struct nw_err *err) {
    struct nw_measure tonight = {.width_px = now->width_px, .height_px = now->height_px};
    enum nw_status status = book_read_stars(book, now->id, now->channel, &tonight, err);
    *ret_date = NULL;
    for (size_t i = 0; i < history->n && status == NW_OK && !*ret_date; i++) {
        const struct book_sub *const before = &history->first[i];
        struct nw_measure stars = {.width_px = before->width_px, .height_px = before->height_px};
        struct nw_match match = {0};
        if (!book_is_same_target(now, before)) {
            continue;
        }
        status = book_read_stars(book, before->id, before->channel, &stars, err);
        if (status == NW_OK && nw_stars_match(&stars, &tonight, &match, NULL) == NW_OK) {
            *ret_date = before->date;
            *ret_scale = match.scale;
            *ret_rotation_rad = match.rotation_rad;
            nw_match_done(&match);
        }
        free(stars.stars);
    }
    free(tonight.stars);
    return status;
}

static void check_against(struct nw_book_check *check, double usual, double tolerance,
                          const char *date, const char *why) {
    check->usual = usual;
    check->low = usual - tolerance;
    check->high = usual + tolerance;
    check->n_nights = 1;
    const bool is_same = fabs(check->tonight - usual) <= tolerance;
    check->verdict = is_same ? NW_BOOK_IS_SAME : NW_BOOK_IS_WORSE;
    (void)snprintf(check->why, sizeof check->why, "%s%sagainst %s, same target", is_same ? "" : why,
                   is_same ? "" : "; ", date);
}

enum nw_status book_judge_geometry(struct nw_book *book, struct nw_book_acceptance *a,
                                   const struct book_sub *now, const struct book_history *history,
                                   struct nw_err *err) {
    double ratio = NAN;
    double rotation_rad = NAN;
    const char *date = NULL;
    const enum nw_status status = lay_over(book, now, history, &ratio, &rotation_rad, &date, err);
    struct nw_book_check *const scale = book_add_check(a, "scale", "ratio");
    struct nw_book_check *const turn = book_add_check(a, "rotation", "deg");
    if (!date) {
        static const char WHY[] = "no earlier night on this target whose stars can be laid over";
        nw_text_copy(scale->why, sizeof scale->why, WHY);
        nw_text_copy(turn->why, sizeof turn->why, WHY);
        return status;
    }
    scale->tonight = ratio;
    check_against(scale, 1.0, SCALE_TOLERANCE, date,
                  "another focal length: corrector, rings or reducer changed, or focus far off");
    /* a flip turns the field by half a turn: that is no change */
    turn->tonight = remainder(rotation_rad, NW_PI) * NW_DEG_PER_RAD;
    check_against(turn, 0.0, ROTATION_TOLERANCE_DEG, date, "the camera or rotator was turned");
    return status;
}
