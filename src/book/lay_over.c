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

/* The listed stars as a measure, enough of one to be matched. */
static enum nw_status read_stars(struct nw_book *book, const struct book_sub *sub,
                                 struct nw_star stars[BOOK_LISTED_STARS], struct nw_measure *ret,
                                 struct nw_err *err) {
    const struct book_value values[] = {book_int(sub->id), book_text(sub->channel)};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status =
        book_prepare(book, "SELECT stars FROM star_list WHERE frame_id = ?1 AND channel = ?2",
                     values, 2, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    *ret =
        (struct nw_measure){.stars = stars, .width_px = sub->width_px, .height_px = sub->height_px};
    if (status == NW_OK && is_row) {
        const unsigned char *const bytes = sqlite3_column_blob(statement, 0);
        const size_t n = (size_t)sqlite3_column_bytes(statement, 0) / BOOK_STAR_BYTES;
        for (size_t i = 0; bytes && i < n && i < BOOK_LISTED_STARS; i++) {
            const unsigned char *const from = bytes + BOOK_STAR_BYTES * i;
            stars[i] = (struct nw_star){.x_px = book_get_float(from),
                                        .y_px = book_get_float(from + 4),
                                        .flux_adu = book_get_float(from + 8),
                                        .flux_sigma_adu = book_get_float(from + 12),
                                        .flags = book_get_bits(from + 16)};
            ret->n_stars = i + 1;
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* NOTFOUND in *ret_found false: no night on this target, or the stars do not lie over each other.
 */
static enum nw_status lay_over(struct nw_book *book, const struct book_sub *now,
                               const struct book_history *history, double *ret_scale,
                               double *ret_rotation_rad, const char **ret_date,
                               struct nw_err *err) {
    struct nw_star(*const stars)[BOOK_LISTED_STARS] = nw_calloc(2, sizeof *stars);
    struct nw_measure a;
    struct nw_measure b;
    enum nw_status status = stars ? NW_OK : nw_err_set(err, NW_NOMEM, "stars of two frames");
    *ret_date = NULL;
    for (size_t i = 0; i < history->n && status == NW_OK && !*ret_date; i++) {
        if (!book_is_same_target(now, &history->first[i])) {
            continue;
        }
        status = read_stars(book, &history->first[i], stars[0], &a, err);
        if (status == NW_OK) {
            status = read_stars(book, now, stars[1], &b, err);
        }
        struct nw_match match = {0};
        if (status == NW_OK && nw_stars_match(&a, &b, &match, NULL) == NW_OK) {
            *ret_date = history->first[i].date;
            *ret_scale = match.scale;
            *ret_rotation_rad = match.rotation_rad;
            nw_match_done(&match);
        }
    }
    free(stars);
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
