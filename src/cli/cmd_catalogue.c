/* cmd_catalogue.c - `catalogue NAME...`: what stands where; lists of the owner's own. */
#include <math.h>

#include "cli/catalogue_file.h"
#include "cli/cli.h"
#include "image/lists.h"
#include "report/report_catalogue.h"

static const struct cli_option OPTIONS[] = {
    {.name = "near",
     .kind = CLI_TEXT,
     .value = "RA,DEC",
     .help = "what stands about this place: degrees, or 05:35:17,-05:23:28"},
    {.name = "radius",
     .kind = CLI_NUMBER,
     .value = "DEG",
     .help = "how far from it, else 1",
     .min = 0.001,
     .max = 90.0},
    {.name = "limit",
     .kind = CLI_NUMBER,
     .value = "MAG",
     .help = "nothing fainter, and nothing without a magnitude",
     .min = -30.0,
     .max = 40.0},
    {.name = "catalogue",
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "another packed catalogue than the one beside the program"},
    {.name = "import",
     .kind = CLI_TEXT,
     .value = "LIST",
     .help = "pack a list of your own (CSV, VOTable, FITS table) into the file of -o"},
    {.name = "output", .letter = 'o', .kind = CLI_TEXT, .value = "FILE", .help = "of --import"},
    {.name = "query",
     .help = "print a query for a public archive that gives a deeper list about --near"},
    {0},
};

static enum nw_status read_near(const char *text, double ret_rad[2], struct nw_err *err) {
    char ra[64];
    const char *const comma = strchr(text, ',');
    if (!comma || (size_t)(comma - text) >= sizeof ra) {
        return nw_err_set(err, NW_USAGE, "--near is '%.60s', expected RA,DEC as 83.82,-5.39", text);
    }
    (void)snprintf(ra, sizeof ra, "%.*s", (int)(comma - text), text);
    enum nw_status status = nw_angle_read(ra, true, &ret_rad[0], err);
    status = status == NW_OK ? nw_angle_read(comma + 1, false, &ret_rad[1], err) : status;
    if (status == NW_OK && !(fabs(ret_rad[1]) <= NW_PI / 2.0)) {
        status = nw_err_set(err, NW_USAGE, "declination %g deg is outside -90 to 90 deg",
                            ret_rad[1] * NW_DEG_PER_RAD);
    }
    return status;
}

/* ---- Import --------------------------------------------------------------------------------- */

static enum nw_status import(const char *from, const char *to, size_t *ret_n, struct nw_err *err) {
    struct nw_list_row *rows = NULL;
    size_t n = 0;
    struct nw_pack *const pack = nw_pack_new();
    enum nw_status status =
        pack ? nw_list_read(from, &rows, &n, err) : nw_err_set(err, NW_NOMEM, "%s", from);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        struct nw_entry e = {.kind = NW_KIND_STAR,
                             .ra_rad = rows[i].ra_rad,
                             .dec_rad = rows[i].dec_rad,
                             .magnitude = rows[i].magnitude,
                             .colour_mag = rows[i].colour_mag,
                             .opacity = NAN,
                             .pm_ra_rad_yr = rows[i].pm_ra_rad_yr,
                             .pm_dec_rad_yr = rows[i].pm_dec_rad_yr,
                             .major_rad = NAN,
                             .minor_rad = NAN};
        nw_text_copy(e.name, sizeof e.name, rows[i].name);
        status = nw_pack_add(pack, &e, err);
    }
    char note[600];
    (void)snprintf(note, sizeof note, "Packed from %.400s; its licence is its source's.", from);
    status = status == NW_OK ? nw_pack_write(pack, note, to, err) : status;
    *ret_n = n;
    free(rows);
    nw_pack_free(pack);
    return status;
}

static enum nw_status run_import(const struct cli_args *args, struct cli_result *result,
                                 struct nw_err *err) {
    const char *const to = cli_text(args, "output");
    if (!to) {
        return nw_err_set(err, NW_USAGE, "--import needs -o FILE for what it packs");
    }
    size_t n = 0;
    const enum nw_status status = import(cli_text(args, "import"), to, &n, err);
    if (status != NW_OK) {
        return status;
    }
    if (cli_wants_json(args)) {
        return nw_report_import_json(to, n, &result->json, err);
    }
    nw_buf_printf(&result->text, "%zu entries packed into %s; use it by --catalogue %s\n", n, to,
                  to);
    return NW_OK;
}

/* ---- Looking -------------------------------------------------------------------------------- */

static enum nw_status look(const struct cli_args *args, const struct nw_catalogue *catalogue,
                           struct nw_catalogue_report *report, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < cli_n_args(args) && status == NW_OK; i++) {
        report->rows[report->n].distance_rad = NAN;
        status =
            nw_catalogue_find(catalogue, cli_arg(args, i), &report->rows[report->n].entry, err);
        report->n += status == NW_OK;
    }
    if (status == NW_OK && cli_given(args, "near")) {
        static const size_t MAX = NW_CATALOGUE_ROWS / 2;
        struct nw_near near[NW_CATALOGUE_ROWS / 2];
        status = read_near(cli_text(args, "near"), report->near_rad, err);
        const size_t n =
            status != NW_OK
                ? 0
                : nw_catalogue_near(catalogue, report->near_rad, report->radius_rad,
                                    cli_number(args, "limit", NAN), NW_ALL_KINDS, MAX, near);
        for (size_t i = 0; i < n; i++) {
            struct nw_catalogue_row *const row = &report->rows[report->n++];
            nw_catalogue_at(catalogue, near[i].i, &row->entry);
            row->distance_rad = near[i].distance_rad;
        }
        report->is_full = n == MAX;
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    if (cli_given(args, "import")) {
        return run_import(args, result, err);
    }
    if (cli_n_args(args) == 0 && !cli_given(args, "near")) {
        return nw_err_set(err, NW_USAGE, "expected a NAME, --near RA,DEC or --import LIST");
    }
    struct nw_catalogue *catalogue = NULL;
    struct nw_catalogue_report *const report = nw_calloc(1, sizeof *report);
    enum nw_status status = report ? NW_OK : nw_err_set(err, NW_NOMEM, "catalogue");
    if (status == NW_OK) {
        report->radius_rad = cli_number(args, "radius", 1.0) * NW_RAD_PER_DEG;
        report->limit_mag = cli_number(args, "limit", NAN);
        report->has_near = cli_given(args, "near");
        report->wants_query = cli_given(args, "query");
    }
    if (status == NW_OK && report->wants_query && !report->has_near) {
        status = nw_err_set(err, NW_USAGE, "--query needs --near RA,DEC and --radius DEG");
    }
    status =
        status == NW_OK ? cli_catalogue_open(cli_text(args, "catalogue"), &catalogue, err) : status;
    status = status == NW_OK ? look(args, catalogue, report, err) : status;
    if (status == NW_OK) {
        report->note = nw_catalogue_note(catalogue);
        if (cli_wants_json(args)) {
            status = nw_report_catalogue_json(report, &result->json, err);
        } else {
            nw_report_catalogue_text(report, &result->text);
        }
    }
    nw_catalogue_close(catalogue);
    free(report);
    return status;
}

const struct cli_command CMD_CATALOGUE = {
    .name = "catalogue",
    .arguments = "[NAME...]",
    .help = "stars and deep-sky objects by name or place; lists of your own",
    .notes = "Names as they are usually written: M31, NGC 224, Sh2-155, HIP 91262, alf Lyr, Vega. "
             "--query prints a query in ADQL (IVOA) to paste into a public archive; its answer, as "
             "CSV, VOTable or FITS, goes through --import once.",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 50,
    .run = run,
};
