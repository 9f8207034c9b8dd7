/* report_catalogue.c - entries of the catalogue for people and for scripts. */
#include "report/report_catalogue.h"

#include <math.h>

#define DEG NW_DEG_PER_RAD

/* Right ascension as 05h 35m 17.3s, declination as -05 23 28. */
static void place_text(const struct nw_entry *e, char *text, size_t size) {
    const double tenths = round(e->ra_rad * DEG / 15.0 * 36000.0);
    const double h = fmod(tenths, 864000.0);
    const double s = round(fabs(e->dec_rad) * DEG * 3600.0);
    (void)snprintf(text, size, "%02.0fh %02.0fm %04.1fs  %c%02.0f %02.0f %02.0f",
                   floor(h / 36000.0), floor(fmod(h, 36000.0) / 600.0), fmod(h, 600.0) / 10.0,
                   e->dec_rad < 0.0 ? '-' : '+', floor(s / 3600.0), floor(fmod(s, 3600.0) / 60.0),
                   fmod(s, 60.0));
}

static void row_text(const struct nw_catalogue_row *row, struct nw_buf *buf) {
    const struct nw_entry *const e = &row->entry;
    char place[64];
    char size[48] = "";
    place_text(e, place, sizeof place);
    if (isfinite(e->major_rad)) {
        (void)snprintf(size, sizeof size, "%.4g x %.4g'", e->major_rad * DEG * 60.0,
                       (isfinite(e->minor_rad) ? e->minor_rad : e->major_rad) * DEG * 60.0);
    }
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 14, e->name[0] ? e->name : "-");
    nw_buf_printf(buf, " %s ", place);
    nw_report_fixed(buf, 6, e->magnitude, 2);
    nw_report_right(buf, 15, size);
    if (isfinite(row->distance_rad)) {
        nw_report_fixed(buf, 8, row->distance_rad * DEG * 60.0, 2);
        nw_buf_printf(buf, "'");
    }
    nw_buf_printf(buf, "\n");
    char text[200];
    (void)snprintf(text, sizeof text, "%s%s%s", nw_kind_text(e->kind), e->also[0] ? "; " : "",
                   e->also);
    nw_report_paragraph(buf, 6, text);
}

/* ADQL 2.0 (IVOA 2008) on Gaia DR3's table, as its archives call it. */
static void query_text(const struct nw_catalogue_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf,
                  "\nQUERY (ADQL; paste it into an archive that holds Gaia DR3, save as CSV, "
                  "VOTable or FITS)\n\n"
                  "SELECT source_id, ra, dec, pmra, pmdec, phot_g_mean_mag, bp_rp\n"
                  "FROM gaiadr3.gaia_source\n"
                  "WHERE 1 = CONTAINS(POINT('ICRS', ra, dec),\n"
                  "                   CIRCLE('ICRS', %.5f, %.5f, %.4f))\n"
                  "  AND phot_g_mean_mag < %.1f\n"
                  "ORDER BY phot_g_mean_mag\n\n"
                  "Places are of epoch 2016.0 there, with proper motion per year beside them.\n"
                  "Then once: nightwright catalogue --import FILE -o deep.bin\n",
                  fmod(r->near_rad[0] * DEG + 360.0, 360.0), r->near_rad[1] * DEG,
                  r->radius_rad * DEG, isfinite(r->limit_mag) ? r->limit_mag : 15.0);
}

void nw_report_catalogue_text(const struct nw_catalogue_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "  NAME           RA, DEC (ICRS, J2000)         V           SIZE%s\n",
                  r->has_near ? "     OFF" : "");
    for (size_t i = 0; i < r->n; i++) {
        row_text(&r->rows[i], buf);
    }
    if (r->n == 0) {
        nw_report_paragraph(buf, 2, "Nothing in the catalogue within this radius and limit.");
    }
    if (r->is_full) {
        nw_report_paragraph(buf, 2, "The nearest 100; a smaller --radius or --limit shows fewer.");
    }
    if (r->wants_query) {
        query_text(r, buf);
    }
}

enum nw_status nw_report_catalogue_json(const struct nw_catalogue_report *r, json_t **ret,
                                        struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "catalogue", 1);
    json_t *const list = nw_json_array(&json, NULL, "entries");
    for (size_t i = 0; i < r->n; i++) {
        const struct nw_entry *const e = &r->rows[i].entry;
        json_t *const o = nw_json_item(&json, list);
        nw_json_text(&json, o, "name", e->name);
        nw_json_text(&json, o, "also", e->also);
        nw_json_text(&json, o, "kind", nw_kind_text(e->kind));
        nw_json_number(&json, o, "ra_deg", e->ra_rad * DEG, 10);
        nw_json_number(&json, o, "dec_deg", e->dec_rad * DEG, 10);
        nw_json_number(&json, o, "magnitude", e->magnitude, 5);
        nw_json_number(&json, o, "opacity_class", e->opacity, 1);
        nw_json_number(&json, o, "colour_mag", e->colour_mag, 4);
        nw_json_number(&json, o, "pm_ra_mas_yr", e->pm_ra_rad_yr * DEG * 3.6e6, 6);
        nw_json_number(&json, o, "pm_dec_mas_yr", e->pm_dec_rad_yr * DEG * 3.6e6, 6);
        nw_json_number(&json, o, "major_arcmin", e->major_rad * DEG * 60.0, 5);
        nw_json_number(&json, o, "minor_arcmin", e->minor_rad * DEG * 60.0, 5);
        nw_json_number(&json, o, "distance_deg", r->rows[i].distance_rad * DEG, 7);
    }
    nw_json_text(&json, NULL, "source", r->note);
    if (r->wants_query) {
        struct nw_buf text;
        nw_buf_init(&text, 4096);
        query_text(r, &text);
        nw_json_text(&json, NULL, "query", text.data);
        nw_buf_done(&text);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_import_json(const char *path, size_t n, json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "catalogue", 1);
    nw_json_text(&json, NULL, "packed", path);
    nw_json_count(&json, NULL, "n_entries", n);
    return nw_json_end(&json, ret, err);
}
