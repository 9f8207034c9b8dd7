/* accept.c - is the rig as it was left? The first subs of a night against the nights before.
 * Idea: one number a night and quantity, the median of its first three subs, so that nights, not
 * frames, are the sample; the band is where a further night lies if nothing has changed, but for
 * one night in twenty. Scale and rotation come from laying the stars over those of the same target
 * before. */
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#include "book/accept_internal.h"

enum { SUBS = 3, MIN_NIGHTS = 4, CLIP_FROM = 8, MAX_GROUPS = 64 };

const char *nw_book_verdict_text(enum nw_book_verdict verdict) {
    static const char *const TEXTS[] = {
#define X(name, text) text,
        NW_BOOK_VERDICT_LIST(X)
#undef X
    };
    return TEXTS[verdict];
}

/* The words of each quantity. */
static const struct {
    const char *what, *unit, *high, *low; /* what too much and too little may mean */
    bool is_high_worse, is_low_worse, is_of_target;
} QUANTITIES[N_QUANTITIES] = {
    [WIDTH] = {"star width at zenith", "px", "focus, seeing, dew, a corrector not seated", "", true,
               false, false},
    [LENGTH] = {"elongation", "ratio", "guiding, balance, a tube that gives way", "", true, false,
                false},
    [SIDE] = {"right against left", "share", "tilt: is the camera seated, the focuser locked?",
              "tilt: is the camera seated, the focuser locked?", true, true, false},
    [TOP] = {"top against bottom", "share", "tilt: is the camera seated, the focuser locked?",
             "tilt: is the camera seated, the focuser locked?", true, true, false},
    [CORNER] = {"corners against centre", "share", "back focus or the corrector's seat", "", true,
                false, false},
    [STARS] = {"stars, ln of the number", "", "", "cloud, dew, focus, or the cap not all off",
               false, true, true},
    [LIMIT] = {"faintest star", "mag (instrumental)", "", "cloud, dew, moonlight, focus", false,
               true, true},
    [LIGHT] = {"light of the same stars", "of the best night", "",
               "cloud, haze, dew, dust, a cap or panel in the way", false, true, true},
};

static double share(double sum_a, size_t n_a, double sum_b, size_t n_b) {
    return n_a > 0 && n_b > 0 ? sum_a / (double)n_a - sum_b / (double)n_b : NAN;
}

/* Width of the zones over the frame's: sides, top and bottom, corners. */
static enum nw_status read_pattern(struct nw_book *book, struct book_sub *sub, double fwhm_px,
                                   struct nw_err *err) {
    const struct book_value values[] = {book_int(sub->id), book_text(sub->channel)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    double sums[6] = {0.0};
    size_t counts[6] = {0};
    enum nw_status status =
        book_prepare(book, "SELECT number, fwhm_px FROM zone WHERE frame_id = ?1 AND channel = ?2",
                     values, 2, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const size_t number = (size_t)sqlite3_column_int64(statement, 0);
        const double ratio = book_column_real(statement, 1) / fwhm_px;
        const size_t ix = number % NW_ZONES_X;
        const size_t iy = number / NW_ZONES_X;
        const bool is_in[6] = {
            2 * ix + 1 > NW_ZONES_X,
            2 * ix + 1 < NW_ZONES_X,
            2 * iy + 1 > NW_ZONES_Y,
            2 * iy + 1 < NW_ZONES_Y,
            (ix == 0 || ix == NW_ZONES_X - 1) && (iy == 0 || iy == NW_ZONES_Y - 1),
            ix > 0 && ix < NW_ZONES_X - 1 && iy > 0 && iy < NW_ZONES_Y - 1,
        };
        for (size_t i = 0; i < 6 && isfinite(ratio); i++) {
            sums[i] += is_in[i] ? ratio : 0.0;
            counts[i] += is_in[i] ? 1 : 0;
        }
    }
    (void)sqlite3_finalize(statement);
    sub->values[SIDE] = share(sums[0], counts[0], sums[1], counts[1]);
    sub->values[TOP] = share(sums[2], counts[2], sums[3], counts[3]);
    sub->values[CORNER] = share(sums[4], counts[4], sums[5], counts[5]);
    return status;
}

/* The first three measured subs of a train and filter in one night, in order of time. */
static enum nw_status read_subs(struct nw_book *book, const char *date, int64_t train,
                                const char *filter, struct book_sub subs[SUBS], size_t *ret_n,
                                struct nw_err *err) {
    enum { ID, FWHM, AIRMASS, ELONGATION, N_STARS, LIMIT_MAG, RA, DEC, EXPOSURE, OBJECT, CHANNEL };
    const struct book_value values[] = {book_text(date), book_int(train), book_text(filter)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(
        book,
        "SELECT frame.id, fwhm_px, airmass, elongation, n_stars, limit_mag, ra_rad, dec_rad, "
        "exposure_s, object, channel, width_px, height_px, gain_setting FROM night JOIN frame ON "
        "night_id = "
        "night.id JOIN measure ON frame_id = frame.id AND channel IN ('mono', 'G') JOIN train ON "
        "train.id = train_id WHERE date = ?1 AND train_id = ?2 AND filter = ?3 AND use = 'light' "
        "AND NOT is_double ORDER BY t_start_utc_s, frame.id LIMIT 3",
        values, 3, &statement, err);
    *ret_n = 0;
    while (status == NW_OK && *ret_n < SUBS) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        struct book_sub *const sub = &subs[(*ret_n)++];
        const double fwhm_px = book_column_real(statement, FWHM);
        const double airmass = book_column_real(statement, AIRMASS);
        const double n_stars = book_column_real(statement, N_STARS);
        *sub = (struct book_sub){.id = sqlite3_column_int64(statement, ID)};
        sub->values[WIDTH] = fwhm_px / (isfinite(airmass) ? pow(airmass, 0.6) : 1.0);
        sub->values[LENGTH] = book_column_real(statement, ELONGATION);
        sub->values[STARS] = n_stars > 0.0 ? log(n_stars) : NAN;
        sub->values[LIMIT] = book_column_real(statement, LIMIT_MAG);
        sub->ra_rad = book_column_real(statement, RA);
        sub->dec_rad = book_column_real(statement, DEC);
        sub->exposure_s = book_column_real(statement, EXPOSURE);
        sub->width_px = (size_t)sqlite3_column_int64(statement, CHANNEL + 1);
        sub->height_px = (size_t)sqlite3_column_int64(statement, CHANNEL + 2);
        sub->gain_setting = book_column_real(statement, CHANNEL + 3);
        sub->airmass = airmass;
        nw_text_copy(sub->date, sizeof sub->date, date);
        book_column_text(statement, OBJECT, sub->object, sizeof sub->object);
        book_column_text(statement, CHANNEL, sub->channel, sizeof sub->channel);
        status = read_pattern(book, sub, fwhm_px, err);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static double median_of(const struct book_sub *subs, size_t n, size_t quantity) {
    double work[SUBS] = {0.0};
    size_t n_work = 0;
    for (size_t i = 0; i < n && i < SUBS; i++) {
        if (isfinite(subs[i].values[quantity])) {
            work[n_work++] = subs[i].values[quantity];
        }
    }
    return n_work > 0 ? nw_stat_median(work, n_work) : NAN;
}

static enum nw_status read_history(struct nw_book *book, const char *date, int64_t train,
                                   const char *filter, struct book_history *ret,
                                   struct nw_err *err) {
    const struct book_value values[] = {book_text(date), book_int(train), book_text(filter)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    ret->n = 0;
    enum nw_status status = book_prepare(
        book,
        "SELECT date FROM night WHERE date < ?1 AND EXISTS (SELECT 1 FROM frame WHERE night_id = "
        "night.id AND train_id = ?2 AND filter = ?3 AND use = 'light') ORDER BY date DESC LIMIT 60",
        values, 3, &statement, err);
    while (status == NW_OK && ret->n < BOOK_ACCEPT_NIGHTS) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        char before[NW_BOOK_DATE];
        struct book_sub subs[SUBS] = {{.id = 0}};
        size_t n = 0;
        book_column_text(statement, 0, before, sizeof before);
        status = read_subs(book, before, train, filter, subs, &n, err);
        if (status == NW_OK && n > 0) {
            for (size_t q = 0; q < N_MEASURED; q++) {
                ret->values[ret->n][q] = median_of(subs, n, q);
            }
            ret->first[ret->n++] = subs[0];
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* Half the band of a further night: Student's t on the standard deviation of the nights before, the
 * median's own error included (pi/2 of the mean's variance). From eight nights on, nights beyond 5
 * robust sigmas are left out; fewer do not tell an odd night from a wide spread. The MAD alone is
 * no measure of so few: with ten nights it calls 19 % of unchanged ones changed (Monte Carlo,
 * Gaussian nights), this rule 5 to 9 %. Eight quantities are asked at once, so each gets an eighth
 * of the 5 % (Bonferroni). */
static double half_band(double *before, size_t n) {
    double sd = NAN;
    size_t n_kept = n;
    if (n >= CLIP_FROM) {
        (void)nw_stat_clipped_mean(before, n, 5.0, &sd, &n_kept);
    } else {
        sd = nw_stat_sd(before, n, nw_stat_mean(before, n));
    }
    return gsl_cdf_tdist_Pinv(1.0 - 0.025 / N_QUANTITIES, (double)n_kept - 1.0) * sd *
           sqrt(1.0 + 0.5 * NW_PI / (double)n_kept);
}

static void judge(struct nw_book_check *check, double *before, size_t n, size_t quantity) {
    check->n_nights = n;
    if (!isfinite(check->tonight)) {
        nw_text_copy(check->why, sizeof check->why, "not measured tonight");
        return;
    }
    if (n < MIN_NIGHTS) {
        (void)snprintf(check->why, sizeof check->why,
                       "%zu night%s to compare with%s, %d are needed", n, n == 1 ? "" : "s",
                       QUANTITIES[quantity].is_of_target ? " on this target" : "", MIN_NIGHTS);
        check->usual = n > 0 ? nw_stat_median(before, n) : NAN;
        return;
    }
    check->usual = nw_stat_median(before, n);
    const double half = half_band(before, n);
    check->low = check->usual - half;
    check->high = check->usual + half;
    const bool is_high = check->tonight > check->high;
    const bool is_low = check->tonight < check->low;
    const bool is_worse = (is_high && QUANTITIES[quantity].is_high_worse) ||
                          (is_low && QUANTITIES[quantity].is_low_worse);
    check->verdict = is_worse            ? NW_BOOK_IS_WORSE
                     : is_high || is_low ? NW_BOOK_IS_BETTER
                                         : NW_BOOK_IS_SAME;
    if (is_worse) {
        nw_text_copy(check->why, sizeof check->why,
                     is_high ? QUANTITIES[quantity].high : QUANTITIES[quantity].low);
    }
}

static void judge_all(struct nw_book_acceptance *a, const struct book_sub *subs, size_t n,
                      const struct book_history *history) {
    for (size_t q = 0; q < N_MEASURED; q++) {
        double before[BOOK_ACCEPT_NIGHTS];
        size_t n_before = 0;
        for (size_t i = 0; i < history->n; i++) {
            const bool is_fit =
                !QUANTITIES[q].is_of_target || book_is_same_target(&subs[0], &history->first[i]);
            if (is_fit && isfinite(history->values[i][q])) {
                before[n_before++] = history->values[i][q];
            }
        }
        struct nw_book_check *const check =
            book_add_check(a, QUANTITIES[q].what, QUANTITIES[q].unit);
        check->tonight = median_of(subs, n, q);
        judge(check, before, n_before, q);
    }
}

/* Light of the same stars: what tonight's first subs got of them against the nights before. */
static enum nw_status judge_light(struct nw_book *book, struct nw_book_acceptance *a,
                                  const struct book_sub *subs, const struct book_history *history,
                                  struct nw_err *err) {
    struct book_light light;
    const enum nw_status status = book_light_of(book, subs, a->n_subs, history, &light, err);
    struct nw_book_check *const check =
        book_add_check(a, QUANTITIES[LIGHT].what, QUANTITIES[LIGHT].unit);
    check->tonight = light.tonight;
    judge(check, light.before, light.n_before, LIGHT);
    if (isnan(light.tonight)) {
        nw_text_copy(check->why, sizeof check->why,
                     "no earlier night with this target and gain whose stars can be matched");
    }
    return status;
}

/* ---- Together ------------------------------------------------------------------------------- */

static enum nw_status accept_group(struct nw_book *book, int64_t train,
                                   struct nw_book_acceptance *a, struct book_history *history,
                                   struct nw_err *err) {
    struct book_sub subs[SUBS] = {{.id = 0}};
    enum nw_status status = read_subs(book, a->date, train, a->filter, subs, &a->n_subs, err);
    if (status == NW_OK) {
        status = read_history(book, a->date, train, a->filter, history, err);
    }
    if (status != NW_OK || a->n_subs == 0) {
        return status;
    }
    nw_text_copy(a->object, sizeof a->object, subs[0].object);
    judge_all(a, subs, a->n_subs, history);
    status = judge_light(book, a, subs, history, err);
    if (status == NW_OK) {
        status = book_judge_geometry(book, a, &subs[0], history, err);
    }
    if (status == NW_OK) {
        status = book_judge_response(book, a, err);
    }
    for (size_t i = 0; i < a->n_checks; i++) {
        a->n_off += a->checks[i].verdict == NW_BOOK_IS_WORSE ? 1 : 0;
    }
    return status;
}

enum nw_status nw_book_find_night(struct nw_book *book, const char *wanted, char date[NW_BOOK_DATE],
                                  struct nw_err *err) {
    const struct book_value value = book_text(wanted ? wanted : "");
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT date FROM night WHERE (?1 = '' OR date = ?1) AND EXISTS (SELECT 1 FROM frame WHERE "
        "night_id = night.id AND use = 'light') ORDER BY date DESC LIMIT 1",
        &value, 1, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        book_column_text(statement, 0, date, NW_BOOK_DATE);
    } else if (status == NW_OK) {
        status = nw_err_set(err, NW_NOTFOUND, "%s: no light frames%s%s", book->path,
                            wanted && wanted[0] ? " of the night of " : "", wanted ? wanted : "");
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status nw_book_accept(struct nw_book *book, const char *date,
                              struct nw_book_acceptance **ret, size_t *ret_n, struct nw_err *err) {
    struct nw_book_acceptance *const all = nw_calloc(MAX_GROUPS, sizeof *all);
    struct book_history *const history = nw_calloc(1, sizeof *history);
    sqlite3_stmt *statement = NULL;
    char night[NW_BOOK_DATE] = "";
    size_t n = 0;
    bool is_row = true;
    enum nw_status status = all && history ? nw_book_find_night(book, date, night, err)
                                           : nw_err_set(err, NW_NOMEM, "acceptance");
    const struct book_value value = book_text(night);
    if (status == NW_OK) {
        status = book_prepare(
            book,
            "SELECT DISTINCT train_id, camera, filter FROM night JOIN frame ON night_id = night.id "
            "JOIN train ON train.id = train_id WHERE date = ?1 AND use = 'light' AND NOT is_double "
            "ORDER BY 1, 3",
            &value, 1, &statement, err);
    }
    while (status == NW_OK && n < MAX_GROUPS) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        struct nw_book_acceptance *const a = &all[n];
        *a = (struct nw_book_acceptance){.n_subs = 0};
        nw_text_copy(a->date, sizeof a->date, night);
        book_column_text(statement, 1, a->camera, sizeof a->camera);
        book_column_text(statement, 2, a->filter, sizeof a->filter);
        status = accept_group(book, sqlite3_column_int64(statement, 0), a, history, err);
        n += a->n_subs > 0 ? 1 : 0;
    }
    (void)sqlite3_finalize(statement);
    free(history);
    if (status == NW_OK) {
        *ret = all;
        *ret_n = n;
    } else {
        free(all);
    }
    return status;
}
