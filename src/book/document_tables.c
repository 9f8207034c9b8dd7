/* document_tables.c - what documents say, into tables in SI.
 * Idea: a table of keys and columns for each; keys are those of the contract and of formats.md. */
#include "book/documents_internal.h"

#include <math.h>

#define UM 1e-6
#define PERCENT 0.01
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static const double ZERO_C = NW_ZERO_CELSIUS_K;

static bool is_true(const json_t *object, const char *key) {
    return json_is_true(json_object_get(object, key));
}

static int64_t count_of(const json_t *object, const char *key) {
    const double value = book_json_real(object, key);
    return isfinite(value) && value >= 0.0 && value < 1e15 ? (int64_t)value : 0;
}

/* ---- surface -------------------------------------------------------------------------------- */

enum nw_status book_write_surface(struct nw_book *book, const struct book_about *about,
                                  struct nw_err *err) {
    static const struct book_json_column COLUMNS[] = {
        {"z0_um", "z0_m", UM, 0},
        {"a_um", "a_m", UM, 0},
        {"b_um", "b_m", UM, 0},
        {"c_um", "c_m", UM, 0},
        {"z0_sigma_um", "z0_sigma_m", UM, 0},
        {"a_sigma_um", "a_sigma_m", UM, 0},
        {"b_sigma_um", "b_sigma_m", UM, 0},
        {"c_sigma_um", "c_sigma_m", UM, 0},
        {"scale_sigma_percent", "scale_sigma", PERCENT, 0},
        {"tilt_corner_to_corner_um", "tilt_m", UM, 0},
        {"tilt_corner_to_corner_sigma_um", "tilt_sigma_m", UM, 0},
        {"tilt_direction_deg", "tilt_direction_rad", NW_RAD_PER_DEG, 0},
        {"tilt_direction_sigma_deg", "tilt_direction_sigma_rad", NW_RAD_PER_DEG, 0},
        {"corner_growth_percent", "growth", PERCENT, 0},
        {"corner_growth_sigma_percent", "growth_sigma", PERCENT, 0},
        {"astigmatism_um", "astigmatism_m", UM, 0},
        {"astigmatism_sigma_um", "astigmatism_sigma_m", UM, 0},
        {"coma_um", "coma_m", UM, 0},
        {"coma_sigma_um", "coma_sigma_m", UM, 0},
        {"best_position", "best_position_steps", 1, 0},
        {"best_position_sigma", "best_position_sigma_steps", 1, 0},
        {"focuser_backlash_um", "backlash_m", UM, 0},
        {"focuser_backlash_sigma_um", "backlash_sigma_m", UM, 0},
        {"um_per_step_at_sensor", "step_m", UM, 0},
        {"depth_of_focus_um", "depth_of_focus_m", UM, 0},
    };
    static const struct book_json_column OF_FRAMES[] = {
        {"rotator_deg", "rotator_rad", NW_RAD_PER_DEG, 0},
        {"focuser_temperature_c", "temperature_K", 1, ZERO_C},
    };
    struct book_row row = {.table = "focal_surface"};
    book_row_put(&row, "document_id", book_int(about->document_id));
    book_row_put(&row, "night_id", about->night_id);
    book_row_put(&row, "t_utc_s", book_real(about->start_utc_s));
    book_row_put(&row, "camera", book_text(about->camera));
    book_row_put(&row, "telescope", book_text(about->telescope));
    book_row_put(&row, "filter", book_text(about->filter));
    book_row_put(&row, "tube_side", book_text(about->tube_side));
    book_row_put(&row, "method", book_text(book_json_text(about->root, "method")));
    book_row_put(&row, "n_frames", book_int(count_of(about->root, "frames_used")));
    book_row_put(&row, "is_sign_known", book_int(is_true(about->root, "sign_known")));
    book_put_numbers(&row, about->root, COLUMNS, COUNT(COLUMNS));
    book_put_numbers(&row, about->about, OF_FRAMES, COUNT(OF_FRAMES));
    return book_row_insert(book, &row, err);
}

/* ---- sensor --------------------------------------------------------------------------------- */

/* The train of this camera and size, when the book knows one. */
static enum nw_status train_of(struct nw_book *book, const struct book_about *about,
                               struct book_value *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(about->camera),
                                        book_int(count_of(about->root, "width_px")),
                                        book_int(count_of(about->root, "height_px"))};
    int64_t id = 0;
    const enum nw_status status = book_int_of(
        book,
        "SELECT id FROM train WHERE camera = ?1 AND width_px = ?2 AND height_px = ?3 ORDER BY id "
        "DESC LIMIT 1",
        values, 3, &id, err);
    *ret = id > 0 ? book_int(id) : (struct book_value){.type = BOOK_NULL};
    return status;
}

static enum nw_status write_hot(struct nw_book *book, int64_t result, const json_t *root,
                                struct nw_err *err) {
    const double n = book_json_real(root, "hot_pixels");
    const double above = book_json_real(root, "hot_above_e_per_s");
    const struct book_value values[] = {book_int(result), book_real(above), book_real(n)};
    return isfinite(n) && isfinite(above)
               ? book_run(book, "INSERT INTO hot_pixel_count VALUES (?1, ?2, CAST(?3 AS INTEGER))",
                          values, 3, err)
               : NW_OK;
}

enum nw_status book_write_sensor(struct nw_book *book, const struct book_about *about,
                                 struct nw_err *err) {
    static const struct book_json_column COLUMNS[] = {
        {"gain_setting", "gain_setting", 1, 0},
        {"gain_e_per_adu", "gain_e_per_adu", 1, 0},
        {"gain_sigma_e_per_adu", "gain_sigma_e_per_adu", 1, 0},
        {"read_noise_e", "read_noise_e", 1, 0},
        {"read_noise_sigma_e", "read_noise_sigma_e", 1, 0},
        {"offset_adu", "offset_adu", 1, 0},
        {"offset_sigma_adu", "offset_sigma_adu", 1, 0},
        {"offset_wander_e", "offset_drift_e", 1, 0},
        {"full_scale_e", "full_scale_e", 1, 0},
        {"full_scale_sigma_e", "full_scale_sigma_e", 1, 0},
        {"nonlinearity_percent", "nonlinearity", PERCENT, 0},
        {"prnu_percent", "prnu", PERCENT, 0},
        {"row_noise_e", "row_noise_e", 1, 0},
        {"column_noise_e", "column_noise_e", 1, 0},
        {"dark_e_per_s", "dark_e_s", 1, 0},
        {"dark_sigma_e_per_s", "dark_sigma_e_s", 1, 0},
        {"dark_temperature_c", "dark_temperature_K", 1, ZERO_C},
        {"dark_doubling_k", "doubling_K", 1, 0},
        {"dark_doubling_sigma_k", "doubling_sigma_K", 1, 0},
        {"hot_pixels", "hot_pixels", 1, 0},
        {"hot_above_e_per_s", "hot_above_e_s", 1, 0},
    };
    struct book_row row = {.table = "sensor_result"};
    struct book_value train;
    double longest_s = NAN;
    size_t i = 0;
    const json_t *dark = NULL;
    json_array_foreach(json_object_get(about->root, "darks"), i, dark) {
        longest_s = fmax(longest_s, book_json_real(dark, "longest_s"));
    }
    enum nw_status status = train_of(book, about, &train, err);
    book_row_put(&row, "document_id", book_int(about->document_id));
    book_row_put(&row, "train_id", train);
    book_row_put(&row, "camera", book_text(about->camera));
    book_row_put(&row, "night_id", about->night_id);
    book_row_put(&row, "t_utc_s", book_real(about->start_utc_s));
    book_row_put(&row, "is_stale", book_int(0));
    book_row_put(&row, "n_bias", book_int(count_of(about->root, "bias_frames")));
    book_row_put(&row, "n_dark", book_int(count_of(about->root, "dark_frames")));
    book_row_put(&row, "n_flat", book_int(count_of(about->root, "flat_frames")));
    book_row_put(&row, "offset_setting", book_real(book_json_real(about->about, "offset_setting")));
    book_row_put(&row, "dark_exposure_s", book_real(longest_s));
    book_put_numbers(&row, about->root, COLUMNS, COUNT(COLUMNS));
    status = status == NW_OK ? book_row_insert(book, &row, err) : status;
    return status == NW_OK ? write_hot(book, book_last_id(book), about->root, err) : status;
}

/* ---- flats ---------------------------------------------------------------------------------- */

enum nw_status book_write_flats(struct nw_book *book, const struct book_about *about,
                                struct nw_err *err) {
    static const struct book_json_column COLUMNS[] = {
        {"setting", "setting", 1, 0},
        {"exposure_s", "exposure_s", 1, 0},
        {"level_sigma_percent", "level_sigma", PERCENT, 0},
    };
    size_t i = 0;
    const json_t *line = NULL;
    json_array_foreach(json_object_get(about->root, "table"), i, line) {
        struct book_row row = {.table = "flat_panel"};
        book_row_put(&row, "document_id", book_int(about->document_id));
        book_row_put(&row, "filter", book_text(book_json_text(line, "filter")));
        book_row_put(&row, "level_adu", book_real(book_json_real(about->root, "level_adu")));
        book_row_put(&row, "n_flats", book_int(count_of(line, "flats")));
        book_put_numbers(&row, line, COLUMNS, COUNT(COLUMNS));
        const enum nw_status status = book_row_insert(book, &row, err);
        if (status != NW_OK) {
            return status;
        }
    }
    return NW_OK;
}

/* ---- plan ----------------------------------------------------------------------------------- */

static enum nw_status write_block(struct nw_book *book, const struct book_about *about, size_t i,
                                  const json_t *block, struct nw_err *err) {
    struct book_row row = {.table = "plan_block"};
    const double start_s = book_json_time(block, "start");
    const double end_s = book_json_time(block, "end");
    if (!isfinite(start_s) || !isfinite(end_s)) {
        return nw_err_set(err, NW_FORMAT, "block %zu of the plan has no start or end", i + 1);
    }
    book_row_put(&row, "document_id", book_int(about->document_id));
    book_row_put(&row, "number", book_size(i + 1));
    book_row_put(&row, "target", book_text(book_json_text(block, "target")));
    book_row_put(&row, "filter", book_text(book_json_text(block, "filter")));
    book_row_put(&row, "start_utc_s", book_real(start_s));
    book_row_put(&row, "end_utc_s", book_real(end_s));
    book_row_put(&row, "exposure_s", book_real(book_json_real(block, "exposure_s")));
    book_row_put(&row, "n_subs", book_int(count_of(block, "subs")));
    book_row_put(&row, "tube_side", book_text(book_json_text(block, "tube_side")));
    book_row_put(&row, "is_flip", book_int(is_true(block, "flip")));
    return book_row_insert(book, &row, err);
}

enum nw_status book_write_plan(struct nw_book *book, const struct book_about *about,
                               struct nw_err *err) {
    const json_t *const blocks = json_object_get(about->root, "blocks");
    const json_t *const dark = json_object_get(about->root, "dark");
    const json_t *block = NULL;
    size_t i = 0;
    double planned_s = 0.0;
    double exposure_s = 0.0;
    int64_t n_subs = 0;
    json_array_foreach(blocks, i, block) {
        const double each_s = book_json_real(block, "exposure_s");
        const int64_t n = count_of(block, "subs");
        planned_s += book_json_time(block, "end") - book_json_time(block, "start");
        exposure_s += isfinite(each_s) ? each_s * (double)n : 0.0;
        n_subs += n;
    }
    struct book_row row = {.table = "night_plan"};
    book_row_put(&row, "document_id", book_int(about->document_id));
    book_row_put(&row, "night_id", about->night_id);
    book_row_put(&row, "date", book_text(about->night));
    book_row_put(&row, "dark_start_utc_s", book_real(book_json_time(dark, "start")));
    book_row_put(&row, "dark_end_utc_s", book_real(book_json_time(dark, "end")));
    book_row_put(&row, "moon_illumination",
                 book_real(book_json_real(json_object_get(about->root, "moon"), "illumination")));
    book_row_put(&row, "planned_s", book_real(planned_s));
    book_row_put(&row, "exposure_s", book_real(exposure_s));
    book_row_put(&row, "unused_s", book_real(3600.0 * book_json_real(about->root, "unused_h")));
    book_row_put(&row, "n_subs", book_int(n_subs));
    enum nw_status status = book_row_insert(book, &row, err);
    json_array_foreach(blocks, i, block) {
        status = status == NW_OK ? write_block(book, about, i, block, err) : status;
    }
    return status;
}

/* ---- trial ---------------------------------------------------------------------------------- */

/* The rig file of that name that the book took last. */
static enum nw_status rig_of(struct nw_book *book, const char *name, struct book_value *ret,
                             struct nw_err *err) {
    const struct book_value value = book_text(name);
    int64_t id = 0;
    const enum nw_status status =
        book_int_of(book, "SELECT id FROM rig_version WHERE name = ?1 ORDER BY id DESC LIMIT 1",
                    &value, 1, &id, err);
    *ret = id > 0 ? book_int(id) : (struct book_value){.type = BOOK_NULL};
    return status;
}

/* The number of a result, in SI: which key, and what its unit is. */
struct trial_number {
    const char *key, *sigma_key, *unit;
    double factor;
};

static struct trial_number number_of(const json_t *result) {
    const double arcsec_rad = 1.0 / NW_ARCSEC_PER_RAD;
    const char *const unit = book_json_text(result, "unit");
    if (json_object_get(result, "seeing_arcsec")) {
        return (struct trial_number){"seeing_arcsec", "seeing_sigma_arcsec", "rad", arcsec_rad};
    }
    if (json_object_get(result, "adds_arcsec2")) {
        return (struct trial_number){"adds_arcsec2", "adds_sigma_arcsec2", "rad2",
                                     arcsec_rad * arcsec_rad};
    }
    const bool is_angle = strcmp(unit, "arcsec") == 0;
    return (struct trial_number){"value", "sigma", is_angle ? "rad" : unit,
                                 is_angle ? arcsec_rad : 1.0};
}

/* A row that was found in the book of the same trial makes way for the owner's word on it; a rig
 * that has another name since is the same rig at the same moment. */
static enum nw_status drop_found(struct nw_book *book, const struct book_about *about,
                                 const char *name, const char *quantity, struct nw_err *err) {
    const struct book_value values[] = {book_text(name),
                                        book_text(quantity),
                                        book_text(about->setup),
                                        book_real(about->start_utc_s),
                                        book_real(about->end_utc_s),
                                        book_text(about->rig)};
    return book_run(book,
                    "DELETE FROM trial_result WHERE name = ?1 AND quantity = ?2 AND setup = ?3 AND "
                    "t_utc_s BETWEEN ?4 - 1 AND ?5 + 1 AND (rig_name = ?6 OR t_utc_s = (?4 + ?5) / "
                    "2) AND (document_id IS NULL OR "
                    "verdict = '" BOOK_TAKEN_BACK "')",
                    values, 6, err);
}

enum nw_status book_write_trial(struct nw_book *book, const struct book_about *about,
                                struct nw_err *err) {
    const json_t *const result = json_object_get(about->root, "result");
    const char *const name = book_json_text(about->root, "trial");
    if (!json_is_object(result) || name[0] == '\0' || !isfinite(about->start_utc_s)) {
        return nw_err_set(err, NW_DATA, "a trial without %s: nothing to keep",
                          json_is_object(result) ? "name or time of its frames" : "result");
    }
    const struct trial_number number = number_of(result);
    const bool is_seeing = strcmp(number.key, "seeing_arcsec") == 0;
    const char *quantity = book_json_text(result, "quantity");
    if (quantity[0] == '\0') { /* of an older document */
        quantity = is_seeing ? "seeing" : "squared width";
    }
    const char *const foretold = is_seeing ? "foretold_arcsec" : "foretold_arcsec2";
    const char *const foretold_sigma =
        is_seeing ? "foretold_sigma_arcsec" : "foretold_sigma_arcsec2";
    struct book_value rig;
    struct book_row row = {.table = "trial_result"};
    enum nw_status status = rig_of(book, about->rig, &rig, err);
    if (status == NW_OK) {
        status = drop_found(book, about, name, quantity, err);
    }
    book_row_put(&row, "document_id", book_int(about->document_id));
    book_row_put(&row, "night_id", about->night_id);
    book_row_put(&row, "name", book_text(name));
    book_row_put(&row, "t_utc_s", book_real(0.5 * (about->start_utc_s + about->end_utc_s)));
    book_row_put(&row, "rig_version_id", rig);
    book_row_put(&row, "rig_name", book_text(about->rig));
    book_row_put(&row, "setup", book_text(about->setup));
    book_row_put(&row, "filter", book_text(about->filter));
    book_row_put(&row, "origin", book_text("owner"));
    book_row_put(&row, "quantity", book_text(quantity));
    book_row_put(&row, "value", book_real(number.factor * book_json_real(result, number.key)));
    book_row_put(&row, "sigma",
                 book_real(number.factor * book_json_real(result, number.sigma_key)));
    book_row_put(&row, "unit", book_text(number.unit));
    book_row_put(&row, "foretold", book_real(number.factor * book_json_real(result, foretold)));
    book_row_put(&row, "foretold_sigma",
                 book_real(number.factor * book_json_real(result, foretold_sigma)));
    book_row_put(&row, "n_frames", book_int(count_of(about->about, "frames")));
    book_row_put(&row, "verdict", book_text(book_json_text(result, "verdict")));
    book_row_put(&row, "why_null",
                 book_text(book_json_text(json_object_get(result, "why_null"), number.key)));
    return status == NW_OK ? book_row_insert(book, &row, err) : status;
}
