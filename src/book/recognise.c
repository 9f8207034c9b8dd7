/* recognise.c - what a file is, by its name and of tables by their headings; what the headers of a
 * night say about its date. */
#include <math.h>
#include <stdio.h>

#include "book/book_internal.h"
#include "sky/almanac.h"

enum book_kind book_kind_of(const char *path) {
    static const struct {
        const char *ending;
        enum book_kind kind;
    } ENDINGS[] = {
        {".fits", BOOK_FRAME},    {".fit", BOOK_FRAME},     {".fts", BOOK_FRAME},
        {".fits.gz", BOOK_FRAME}, {".fits.fz", BOOK_FRAME}, {".csv", BOOK_LOG},
        {".txt", BOOK_LOG},       {".log", BOOK_LOG},       {".yaml", BOOK_RIG},
        {".yml", BOOK_RIG},       {".json", BOOK_DOCUMENT},
    };
    for (size_t i = 0; i < sizeof ENDINGS / sizeof ENDINGS[0]; i++) {
        if (nw_text_ends_nocase(path, ENDINGS[i].ending)) {
            return ENDINGS[i].kind;
        }
    }
    return BOOK_NOTHING;
}

const char *book_kind_word(enum book_kind kind) {
    static const char *const WORDS[] = {
        [BOOK_FRAME] = "frame",     [BOOK_LOG] = "guide-log",   [BOOK_CLIMATE] = "climate-log",
        [BOOK_POWER] = "power-log", [BOOK_RIG] = "rig",         [BOOK_DOCUMENT] = "document",
        [BOOK_FOCUS] = "focus-log", [BOOK_NOTHING] = "nothing",
    };
    return WORDS[kind];
}

/* The headings of a table, if it has any near its beginning; NULL: none. */
static struct nw_table *read_headings(const char *path) {
    enum { LOOK_BYTES = 1 << 16 };
    struct nw_table *table = NULL;
    FILE *const file = fopen(path, "rb");
    char *const text = nw_calloc(LOOK_BYTES + 1, 1);
    const size_t len = file && text ? fread(text, 1, LOOK_BYTES, file) : 0;
    for (size_t at = 0; at < len && !table;) { /* the first line that is no comment */
        const char *const end = memchr(text + at, '\n', len - at);
        const size_t line = (end ? (size_t)(end - text) : len) - at;
        if (text[at] != '#' && line > 1) {
            if (nw_table_parse(path, text + at, line, &table, NULL) != NW_OK) {
                table = NULL;
            }
            break;
        }
        at += line + 1;
    }
    free(text);
    if (file) {
        (void)fclose(file);
    }
    return table;
}

/* Does any heading end so? */
static bool has_ending(const struct nw_table *table, const char *ending) {
    for (size_t k = 0; k < nw_table_n_columns(table); k++) {
        const char *const name = nw_table_column_name(table, k);
        const size_t len = strlen(name);
        const size_t tail = strlen(ending);
        if (len > tail && strcmp(name + len - tail, ending) == 0) {
            return true;
        }
    }
    return false;
}

enum book_kind book_table_kind(const struct nw_table *table) {
    const bool is_guide = nw_table_column(table, "ra_err_arcsec") >= 0 ||
                          nw_table_column(table, "dec_err_arcsec") >= 0;
    const bool has_clock = nw_table_column(table, "time") >= 0;
    const bool is_power =
        (has_clock || nw_table_column(table, "t_s") >= 0) &&
        (has_ending(table, " V") || has_ending(table, " A") || has_ending(table, " W"));
    const bool is_focus = has_clock && nw_table_column(table, "position_steps") >= 0;
    const bool is_climate = has_clock && has_ending(table, "_c");
    return is_guide     ? BOOK_LOG
           : is_focus   ? BOOK_FOCUS
           : is_climate ? BOOK_CLIMATE
           : is_power   ? BOOK_POWER
                        : BOOK_LOG;
}

enum book_kind book_look_kind(const char *path) {
    const enum book_kind kind = book_kind_of(path);
    struct nw_table *const table = kind == BOOK_LOG ? read_headings(path) : NULL;
    const enum book_kind looked = table ? book_table_kind(table) : kind;
    nw_table_free(table);
    return looked;
}

double book_date_s(const char *date) {
    char noon[32];
    double t_s = NAN;
    (void)snprintf(noon, sizeof noon, "%.10sT12:00:00Z", date);
    return strlen(date) == NW_BOOK_DATE - 1 && nw_time_read_iso(noon, 0.0, &t_s, NULL) == NW_OK
               ? t_s
               : NAN;
}

void nw_book_night_date(double t_utc_s, double longitude_rad, char ret_date[NW_BOOK_DATE]) {
    char text[32];
    ret_date[0] = '\0';
    if (!isfinite(t_utc_s)) {
        return;
    }
    nw_time_write_iso(nw_sky_evening_utc_s(t_utc_s, longitude_rad), 0, text, sizeof text);
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
