/* recognise.c - what a file is, by its name; what the headers of a night say about its date. */
#include <math.h>

#include "book/book_internal.h"

enum book_kind book_kind_of(const char *path) {
    static const struct {
        const char *ending;
        enum book_kind kind;
    } ENDINGS[] = {
        {".fits", BOOK_FRAME},    {".fit", BOOK_FRAME},     {".fts", BOOK_FRAME},
        {".fits.gz", BOOK_FRAME}, {".fits.fz", BOOK_FRAME}, {".csv", BOOK_LOG},
        {".txt", BOOK_LOG},       {".log", BOOK_LOG},       {".yaml", BOOK_RIG},
        {".yml", BOOK_RIG},
    };
    for (size_t i = 0; i < sizeof ENDINGS / sizeof ENDINGS[0]; i++) {
        if (nw_text_ends_nocase(path, ENDINGS[i].ending)) {
            return ENDINGS[i].kind;
        }
    }
    return BOOK_NOTHING;
}

void nw_book_night_date(double t_utc_s, double longitude_rad, char ret_date[NW_BOOK_DATE]) {
    static const double DAY_S = 86400.0;
    ret_date[0] = '\0';
    if (!isfinite(t_utc_s)) {
        return;
    }
    const double east_s = isfinite(longitude_rad)
                              ? remainder(longitude_rad, 2.0 * NW_PI) / (2.0 * NW_PI) * DAY_S
                              : 0.0;
    char text[32];
    nw_time_write_iso(t_utc_s + east_s - 0.5 * DAY_S, 0, text, sizeof text);
    nw_text_copy(ret_date, NW_BOOK_DATE, text[0] == '-' ? "" : text);
}

enum nw_status book_night_id(struct nw_book *book, double t_utc_s, double longitude_rad,
                             struct book_value *ret, struct nw_err *err) {
    char date[NW_BOOK_DATE];
    nw_book_night_date(t_utc_s, longitude_rad, date);
    *ret = (struct book_value){.type = BOOK_NULL};
    if (date[0] == '\0') {
        return NW_OK;
    }
    const struct book_value value = book_text(date);
    int64_t id = 0;
    const enum nw_status status =
        book_int_of(book,
                    "INSERT INTO night (date) VALUES (?1) "
                    "ON CONFLICT (date) DO UPDATE SET is_stale = 1 RETURNING id",
                    &value, 1, &id, err);
    *ret = book_int(id);
    return status;
}
