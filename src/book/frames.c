/* frames.c - one frame into the book: what its header says, what was measured on it.
 * Idea: tables say which field goes to which column; the statement is built from them, so that a
 * column has one place here and one in the schema. */
#include <math.h>
#include <stddef.h>

#include "book/book_internal.h"
#include "sky/sky.h"

enum { N_ZONES = NW_ZONES_X * NW_ZONES_Y, SETTINGS_BYTES = 1 << 16 };

struct column {
    const char *name;
    size_t at;
};

#define FACT(field)                                                                                \
    { #field, offsetof(struct nw_frame_facts, field) }
static const struct column FACTS[] = {
    FACT(exposure_s),
    FACT(gain_setting),
    FACT(offset_setting),
    FACT(gain_e_per_adu),
    FACT(binning),
    FACT(pixel_m),
    FACT(focal_length_m),
    FACT(set_temperature_K),
    FACT(chip_temperature_K),
    FACT(focuser_steps),
    FACT(focuser_temperature_K),
    FACT(airmass),
    FACT(ra_rad),
    FACT(dec_rad),
    FACT(altitude_rad),
    FACT(azimuth_rad),
    FACT(rotator_rad),
    FACT(latitude_rad),
    FACT(longitude_rad),
    FACT(t_start_utc_s),
};

#define MEASURE(field)                                                                             \
    { #field, offsetof(struct nw_measure, field) }
static const struct column MEASURES[] = {
    MEASURE(background_adu),
    MEASURE(noise_adu),
    MEASURE(fwhm_px),
    MEASURE(fwhm_sigma_px),
    MEASURE(fwhm_optical_px),
    MEASURE(half_light_px),
    MEASURE(neq_area_px2),
    MEASURE(e1),
    MEASURE(e2),
    MEASURE(e_sigma),
    MEASURE(elongation),
    MEASURE(elongation_angle_rad),
    {"sky_slope_adu", offsetof(struct nw_measure, aspects.gradient.adu)},
    {"halo_ratio", offsetof(struct nw_measure, aspects.halo.ratio)},
    {"limit_mag", offsetof(struct nw_measure, aspects.limit.magnitude)},
};
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static void put_all(struct book_row *row, const struct column *columns, size_t n,
                    const void *from) {
    for (size_t i = 0; i < n; i++) {
        double value = NAN;
        memcpy(&value, (const char *)from + columns[i].at, sizeof value);
        book_row_put(row, columns[i].name, book_real(value));
    }
}

static enum nw_status train_id(struct nw_book *book, const struct nw_frame *frame, int64_t *ret,
                               struct nw_err *err) {
    const struct book_value values[] = {
        book_text(frame->facts.camera),
        book_text(frame->facts.telescope),
        book_size(frame->width_px),
        book_size(frame->height_px),
    };
    return book_int_of(book,
                       "INSERT INTO train (camera, telescope, width_px, height_px) "
                       "VALUES (?1, ?2, ?3, ?4) ON CONFLICT (camera, telescope, width_px, "
                       "height_px) DO UPDATE SET camera = camera RETURNING id",
                       values, COUNT(values), ret, err);
}

/* Has the book this exposure from another file? Same train and kind, start and length. */
static enum nw_status find_double(struct nw_book *book, int64_t train,
                                  const struct nw_frame_facts *facts, int64_t *ret,
                                  struct nw_err *err) {
    const struct book_value values[] = {
        book_int(train),
        book_real(facts->t_start_utc_s),
        book_real(facts->exposure_s),
        book_text(nw_frame_use_word(nw_frame_use_of(facts))),
    };
    return book_int_of(book,
                       "SELECT count(*) FROM frame WHERE t_start_utc_s = ?2 AND train_id = ?1 AND "
                       "exposure_s = ?3 AND use = ?4 AND NOT is_double",
                       values, COUNT(values), ret, err);
}

/* What changes by rights from frame to frame, or has a column of its own. */
static bool is_everyday(const char *what) {
    static const char *const WORDS[] = {"exposure",  "filter", "kind of frame", "camera",
                                        "telescope", "site",   "rotator",       "colour pattern"};
    for (size_t i = 0; i < COUNT(WORDS); i++) {
        if (strcmp(what, WORDS[i]) == 0) {
            return true;
        }
    }
    return false;
}

/* Numbers as numbers ("100.0" and "100" are one), texts as they are, each on one line. */
static void add_setting(struct nw_buf *text, const char *what, const char *value) {
    double number = NAN;
    nw_buf_printf(text, "%s=", what);
    if (nw_text_to_double(value, &number)) {
        nw_buf_printf(text, "%.6g\n", number);
    } else {
        nw_buf_printf(text, "%s\n", value);
    }
}

/* The first keyword of each setting counts. */
static enum nw_status settings_id(struct nw_book *book, const struct nw_frame *frame, int64_t *ret,
                                  struct nw_err *err) {
    struct nw_buf text;
    nw_buf_init(&text, SETTINGS_BYTES);
    nw_buf_printf(&text, "%s", "");
    for (size_t i = 0; i < frame->n_cards; i++) {
        const char *const what = nw_header_setting(frame->cards[i].key);
        bool is_first = what && !is_everyday(what);
        for (size_t k = 0; is_first && k < i; k++) {
            const char *const before = nw_header_setting(frame->cards[k].key);
            is_first = !before || strcmp(before, what) != 0;
        }
        if (is_first) {
            add_setting(&text, what, frame->cards[i].value);
        }
    }
    const struct book_value value = book_text(text.data);
    const enum nw_status status =
        nw_buf_failed(&text)
            ? nw_err_set(err, NW_NOMEM, "settings of a frame")
            : book_int_of(book,
                          "INSERT INTO settings (text) VALUES (?1) ON CONFLICT (text) DO UPDATE "
                          "SET text = text RETURNING id",
                          &value, 1, ret, err);
    nw_buf_done(&text);
    return status;
}

static enum nw_status write_zones(struct nw_book *book, int64_t frame,
                                  const struct nw_measure *measure, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < N_ZONES && status == NW_OK; i++) {
        const struct nw_zone *const zone = &measure->zones[i];
        const struct book_value values[] = {
            book_int(frame),
            book_text(nw_channel_name(measure->channel)),
            book_size(i),
            book_real(zone->u),
            book_real(zone->v),
            book_size(zone->n),
            book_real(zone->fwhm_px),
            book_real(zone->fwhm_sigma_px),
            book_real(zone->e1),
            book_real(zone->e2),
        };
        if (zone->n > 0) {
            status =
                book_run(book, "INSERT INTO zone VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                         values, COUNT(values), err);
        }
    }
    return status;
}

static enum nw_status write_stars(struct nw_book *book, int64_t frame,
                                  const struct nw_measure *measure, struct nw_err *err) {
    const uint32_t bad = NW_STAR_EDGE | NW_STAR_STREAK | NW_STAR_NOT_POINT;
    unsigned char bytes[BOOK_LISTED_STARS * BOOK_STAR_BYTES];
    size_t n = 0;
    for (size_t i = 0; i < measure->n_stars && n < BOOK_LISTED_STARS; i++) {
        const struct nw_star *const star = &measure->stars[i];
        unsigned char *const to = bytes + BOOK_STAR_BYTES * n;
        if ((star->flags & bad) == 0 && isfinite(star->flux_adu)) {
            book_put_float(to, star->x_px);
            book_put_float(to + 4, star->y_px);
            book_put_float(to + 8, star->flux_adu);
            book_put_float(to + 12, star->flux_sigma_adu);
            book_put_bits(to + 16, star->flags, 4);
            n++;
        }
    }
    const struct book_value values[] = {
        book_int(frame),
        book_text(nw_channel_name(measure->channel)),
        book_blob(bytes, BOOK_STAR_BYTES * n),
    };
    return book_run(book, "INSERT INTO star_list VALUES (?1, ?2, ?3)", values, COUNT(values), err);
}

static enum nw_status write_measure(struct nw_book *book, int64_t frame,
                                    const struct nw_measure *measure, struct nw_err *err) {
    struct book_row row = {.table = "measure"};
    book_row_put(&row, "frame_id", book_int(frame));
    book_row_put(&row, "channel", book_text(nw_channel_name(measure->channel)));
    book_row_put(&row, "flags", book_int(measure->flags));
    book_row_put(&row, "n_stars", book_size(measure->n_stars));
    book_row_put(&row, "n_used", book_size(measure->n_used));
    book_row_put(&row, "n_saturated", book_size(measure->n_saturated));
    book_row_put(&row, "n_streaks", book_size(measure->aspects.n_streaks));
    put_all(&row, MEASURES, COUNT(MEASURES), measure);
    enum nw_status status = book_row_insert(book, &row, err);
    if (status == NW_OK) {
        status = write_zones(book, frame, measure, err);
    }
    return status == NW_OK ? write_stars(book, frame, measure, err) : status;
}

/* Airmass of the header, else of its altitude, else of its direction, time and site. */
static struct nw_frame_facts complete(const struct nw_frame_facts *facts) {
    const struct nw_place site = {facts->latitude_rad, facts->longitude_rad,
                                  isfinite(facts->elevation_m) ? facts->elevation_m : 0.0};
    const double half_s = isfinite(facts->exposure_s) ? 0.5 * facts->exposure_s : 0.0;
    struct nw_frame_facts full = *facts;
    struct nw_pointing pointing;
    if (!isfinite(full.airmass) && isfinite(full.altitude_rad)) {
        full.airmass = nw_sky_airmass(full.altitude_rad);
    } else if (!isfinite(full.airmass) &&
               nw_sky_pointing(full.ra_rad, full.dec_rad, full.t_start_utc_s + half_s, &site, NULL,
                               &pointing, NULL) == NW_OK) {
        full.airmass = pointing.airmass;
    }
    return full;
}

static enum nw_status write_header(struct nw_book *book, int64_t content_id,
                                   const struct nw_series_item *item, double longitude_rad,
                                   bool *ret_is_double, struct nw_err *err) {
    const struct nw_frame_facts *const facts = &item->frame->facts;
    struct book_value night;
    int64_t train = 0;
    int64_t settings = 0;
    int64_t n_same = 0;
    enum nw_status status = train_id(book, item->frame, &train, err);
    if (status == NW_OK) {
        status = settings_id(book, item->frame, &settings, err);
    }
    if (status == NW_OK) {
        status = find_double(book, train, facts, &n_same, err);
    }
    if (status == NW_OK) {
        status = book_night_id(
            book, facts->t_start_utc_s,
            isfinite(facts->longitude_rad) ? facts->longitude_rad : longitude_rad, &night, err);
    }
    if (status != NW_OK) {
        return status;
    }
    const bool is_light = nw_frame_use_of(facts) == NW_USE_LIGHT;
    struct book_row row = {.table = "frame"};
    book_row_put(&row, "content_id", book_int(content_id));
    book_row_put(&row, "train_id", book_int(train));
    book_row_put(&row, "night_id", night);
    book_row_put(&row, "use", book_text(nw_frame_use_word(nw_frame_use_of(facts))));
    book_row_put(&row, "is_double", book_int(n_same > 0));
    book_row_put(&row, "why_unmeasured",
                 book_text(is_light && item->status != NW_OK ? item->err.text : ""));
    book_row_put(&row, "filter", book_text(facts->filter));
    book_row_put(&row, "object", book_text(facts->object));
    book_row_put(&row, "tube_side", book_text(facts->tube_side));
    book_row_put(&row, "settings_id", book_int(settings));
    const struct nw_frame_facts full = is_light ? complete(facts) : *facts;
    put_all(&row, FACTS, COUNT(FACTS), &full);
    *ret_is_double = n_same > 0;
    return book_row_insert(book, &row, err);
}

enum nw_status book_write_frame(struct nw_book *book, int64_t content_id,
                                const struct nw_series_item *item,
                                const struct nw_book_add_opts *opts, struct nw_book_added *added,
                                struct nw_err *err) {
    bool is_double = false;
    enum nw_status status =
        write_header(book, content_id, item, opts->longitude_rad, &is_double, err);
    const int64_t frame = book_last_id(book);
    for (size_t i = 0; i < item->n_measures && status == NW_OK; i++) {
        status = write_measure(book, frame, item->measures[i], err);
    }
    if (status == NW_OK) {
        const bool is_light = nw_frame_use_of(&item->frame->facts) == NW_USE_LIGHT;
        added->n_lights += is_light ? 1 : 0;
        added->n_calibration += is_light ? 0 : 1;
        added->n_unmeasured += is_light && item->n_measures == 0 ? 1 : 0;
        added->n_doubles += is_double ? 1 : 0;
    }
    return status;
}
