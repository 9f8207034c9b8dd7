/* report_throughput.c - the page of `throughput`. */
#include "report/report_throughput.h"

#include <math.h>

static const char *colour_word(const char *letter) {
    return letter[0] == 'R' ? "red" : letter[0] == 'G' ? "green" : "blue";
}

void nw_report_throughput_text(const struct nw_throughput_row *rows, size_t n, struct nw_buf *buf) {
    char a[48];
    char b[48];
    char text[400];
    for (size_t i = 0; i < n; i++) {
        const struct nw_throughput_row *const r = &rows[i];
        const struct nw_throughput *const v = &r->value;
        const bool is_next = i > 0 && strcmp(rows[i - 1].path, r->path) == 0;
        if (!is_next) {
            nw_report_title(buf, "THROUGHPUT", nw_file_base_name(r->path));
        }
        if (r->colour[0]) {
            nw_buf_printf(buf, "  %s\n", colour_word(r->colour));
        }
        if (r->why_null[0]) {
            nw_report_entry(buf, 2, 15, "not told", r->why_null);
            continue;
        }
        (void)snprintf(text, sizeof text,
                       "%zu of the list found (%.2f px rms%s), %zu of them full, %zu used: V %.1f "
                       "to %.1f",
                       v->n_matched, v->rms_px, v->is_mirrored ? ", mirrored" : "", v->n_full,
                       v->n_used, v->brightest_mag, v->faintest_mag);
        nw_report_entry(buf, 2, 15, "stars", text);
        (void)snprintf(
            text, sizeof text,
            "%s %% of the photons above the air in %s%s%s become electrons; the rig "
            "foretells %s %% at airmass %.2f",
            nw_report_pm(a, sizeof a, 100.0 * v->share, 100.0 * v->share_sigma), r->filter,
            r->colour[0] ? ", " : "", r->colour[0] ? colour_word(r->colour) : "",
            nw_report_pm(b, sizeof b, 100.0 * v->foretold, 100.0 * v->foretold_sigma), r->airmass);
        nw_report_entry(buf, 2, 15, "throughput", text);
        (void)snprintf(text, sizeof text, "%s %% below the air, with the rig's extinction",
                       nw_report_pm(a, sizeof a, 100.0 * v->ground_share, 100.0 * v->ground_sigma));
        nw_report_entry(buf, 2, 15, "", text);
        (void)snprintf(text, sizeof text,
                       "V %s above the air gives 1 e/s (B-V 0); stars scatter by %.2f mag",
                       nw_report_pm(a, sizeof a, v->zero_mag, v->zero_sigma_mag), v->scatter_mag);
        nw_report_entry(buf, 2, 15, "zero point", text);
        if (isfinite(v->colour_slope)) {
            (void)snprintf(text, sizeof text, "%s mag per mag of B-V left over",
                           nw_report_pm(a, sizeof a, v->colour_slope, v->colour_slope_sigma));
            nw_report_entry(buf, 2, 15, "colour", text);
        }
        const double gap = (v->share - v->foretold) / hypot(v->share_sigma, v->foretold_sigma);
        if (gap < -2.0) {
            nw_report_entry(buf, 2, 15, "less light",
                            "than the rig foretells: dust, dew, haze or thin cloud, or a value of "
                            "the rig that is too good. One night cannot tell dust from haze: "
                            "compare nights, and `look` for what changed within this one");
        }
        nw_buf_printf(buf, "\n");
    }
    nw_report_paragraph(buf, 2,
                        "Light beyond the measuring aperture is missed (some percent); magnitudes "
                        "of the list are V, taken to the filter by B-V.");
}

enum nw_status nw_report_throughput_json(const struct nw_throughput_row *rows, size_t n,
                                         json_t **ret, struct nw_err *err) {
    struct nw_json j;
    nw_json_begin(&j, "throughput", 1);
    json_t *const list = nw_json_array(&j, NULL, "frames");
    for (size_t i = 0; i < n; i++) {
        const struct nw_throughput_row *const r = &rows[i];
        const struct nw_throughput *const v = &r->value;
        json_t *const o = nw_json_item(&j, list);
        nw_json_text(&j, o, "path", r->path);
        nw_json_text(&j, o, "filter", r->filter);
        nw_json_text(&j, o, "colour", r->colour[0] ? r->colour : "mono");
        nw_json_time(&j, o, "start", r->t_start_utc_s, 3);
        nw_json_number(&j, o, "exposure_s", r->exposure_s, 6);
        nw_json_number(&j, o, "airmass", r->airmass, 5);
        if (r->why_null[0]) {
            nw_json_null(&j, o, "throughput_percent");
            nw_json_why(&j, o, "throughput_percent", r->why_null);
            continue;
        }
        nw_json_count(&j, o, "stars_matched", v->n_matched);
        nw_json_count(&j, o, "stars_full", v->n_full);
        nw_json_count(&j, o, "stars_used", v->n_used);
        nw_json_number(&j, o, "rms_px", v->rms_px, 4);
        nw_json_bool(&j, o, "mirrored", v->is_mirrored);
        nw_json_number(&j, o, "throughput_percent", 100.0 * v->share, 5);
        nw_json_number(&j, o, "throughput_sigma_percent", 100.0 * v->share_sigma, 3);
        nw_json_number(&j, o, "below_air_percent", 100.0 * v->ground_share, 5);
        nw_json_number(&j, o, "below_air_sigma_percent", 100.0 * v->ground_sigma, 3);
        nw_json_number(&j, o, "foretold_percent", 100.0 * v->foretold, 5);
        nw_json_number(&j, o, "foretold_sigma_percent", 100.0 * v->foretold_sigma, 3);
        nw_json_number(&j, o, "zero_point_mag", v->zero_mag, 6);
        nw_json_number(&j, o, "zero_point_sigma_mag", v->zero_sigma_mag, 3);
        nw_json_number(&j, o, "scatter_mag", v->scatter_mag, 4);
        nw_json_number(&j, o, "colour_slope", v->colour_slope, 4);
        nw_json_number(&j, o, "colour_slope_sigma", v->colour_slope_sigma, 3);
        if (!isfinite(v->colour_slope)) {
            nw_json_why(&j, o, "colour_slope", "needs 8 stars with B-V");
        }
    }
    return nw_json_end(&j, ret, err);
}
