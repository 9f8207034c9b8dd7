/* evidence_light.c - the light frames of a night of the book as evidence for the budgets of light
 * and time; see evidence.h. */
#include <math.h>

#include "book/book_internal.h"
#include "book/evidence.h"

enum { MAX_FRAMES = 100000 };

enum {
    S_START,
    S_EXPOSURE,
    S_FILTER,
    S_SIDE,
    S_STEPS,
    S_RA,
    S_DEC,
    S_AIRMASS,
    S_GAIN,
    S_CHANNEL,
    S_BACKGROUND,
    S_NOISE,
    S_LIMIT,
    S_USED,
    S_FLAGS
};
/* Of the camera that took most of them: two cameras side by side are two clocks. */
static const char SUBS[] =
    "SELECT t_start_utc_s, exposure_s, filter, tube_side, focuser_steps, ra_rad, dec_rad, airmass, "
    "gain_e_per_adu, channel, background_adu, noise_adu, limit_mag, n_used, flags FROM frame JOIN "
    "night ON night.id = night_id LEFT JOIN measure ON frame_id = frame.id AND channel IN ('mono', "
    "'G') WHERE date = ?1 AND use = 'light' AND NOT is_double AND train_id = (SELECT train_id FROM "
    "frame JOIN night ON night.id = night_id WHERE date = ?1 AND use = 'light' GROUP BY train_id "
    "ORDER BY count(*) DESC LIMIT 1) ORDER BY t_start_utc_s";

static void take(sqlite3_stmt *row, void *to) {
    struct nw_seen_sub *const s = to;
    char channel[8];
    const int64_t flags = sqlite3_column_int64(row, S_FLAGS);
    const int64_t faults = NW_FRAME_DOUBLED | NW_FRAME_TRAILED | NW_FRAME_OUT_OF_FOCUS;
    *s = (struct nw_seen_sub){.t_start_utc_s = book_column_real(row, S_START),
                              .exposure_s = book_column_real(row, S_EXPOSURE),
                              .focuser_steps = book_column_real(row, S_STEPS),
                              .ra_rad = book_column_real(row, S_RA),
                              .dec_rad = book_column_real(row, S_DEC),
                              .airmass = book_column_real(row, S_AIRMASS),
                              .gain_e_per_adu = book_column_real(row, S_GAIN),
                              .background_adu = book_column_real(row, S_BACKGROUND),
                              .noise_adu = book_column_real(row, S_NOISE),
                              /* -2.5 log10(ADU / s) */
                              .limit_adu_s = pow(10.0, -0.4 * book_column_real(row, S_LIMIT))};
    book_column_text(row, S_FILTER, s->filter, sizeof s->filter);
    book_column_text(row, S_SIDE, s->tube_side, sizeof s->tube_side);
    book_column_text(row, S_CHANNEL, channel, sizeof channel);
    s->channel = strcmp(channel, "G") == 0 ? NW_CHANNEL_G : NW_CHANNEL_MONO;
    s->is_spoiled = channel[0] && (sqlite3_column_int64(row, S_USED) == 0 || (flags & faults) != 0);
}

enum nw_status nw_book_seen_subs(struct nw_book *book, const char *date, struct nw_seen_sub **ret,
                                 size_t *ret_n, struct nw_err *err) {
    const struct book_value value = book_text(date);
    struct book_list list = {.size = sizeof(struct nw_seen_sub), .max = MAX_FRAMES, .take = take};
    const enum nw_status status = book_list_rows(book, SUBS, &value, 1, &list, err);
    if (status == NW_OK) {
        *ret = list.items;
        *ret_n = list.n;
    }
    return status;
}
