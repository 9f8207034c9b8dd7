/* lists.c - the columns of a list, and its rows; see lists.h. */
#include "image/lists.h"

#include <math.h>

#include "image/lists_internal.h"

/* ---- Columns -------------------------------------------------------------------------------- */

enum column { RA, DEC, NAME, MAG, COLOUR, PM_RA, PM_DEC, N_COLUMNS };
static const char *const NAMES[N_COLUMNS][9] = {
    {"ra", "ra_deg", "_raj2000", "raj2000", "ra_icrs", "ra_j2000", "alpha", NULL},
    {"dec", "dec_deg", "_dej2000", "dej2000", "de_icrs", "dec_j2000", "delta", "decl", NULL},
    {"name", "id", "main_id", "designation", "source_id", "object", "hip", NULL},
    {"mag", "magnitude", "vmag", "v", "phot_g_mean_mag", "gmag", "vtmag", NULL},
    {"bv", "b-v", "colour", "color", "bp_rp", NULL},
    {"pmra", "pm_ra", "pmra_mas_yr", NULL},
    {"pmdec", "pm_dec", "pmde", "pmdec_mas_yr", NULL},
};

static int find_column(const struct nw_table *table, enum column column) {
    for (size_t k = 0; NAMES[column][k]; k++) {
        const int at = nw_table_column(table, NAMES[column][k]);
        if (at >= 0) {
            return at;
        }
    }
    return -1;
}

static enum nw_status find_columns(const struct nw_table *table, int at[N_COLUMNS],
                                   struct nw_err *err) {
    for (int c = 0; c < N_COLUMNS; c++) {
        at[c] = find_column(table, (enum column)c);
    }
    if (at[RA] >= 0 && at[DEC] >= 0) {
        return NW_OK;
    }
    char there[200] = "";
    for (size_t i = 0; i < nw_table_n_columns(table); i++) {
        const size_t len = strlen(there);
        (void)snprintf(there + len, sizeof there - len, "%s%s", i ? ", " : "",
                       nw_table_column_name(table, i));
    }
    return nw_err_set(err, NW_FORMAT, "%s: no column for the %s, expected ra and dec; there are %s",
                      nw_table_name(table), at[RA] < 0 ? "right ascension" : "declination", there);
}

/* An empty or odd cell is not known: lists hold many such. */
static double number_in(const struct nw_table *table, size_t row, int column) {
    double v = NAN;
    return column >= 0 && nw_text_to_double(nw_table_cell(table, row, (size_t)column), &v) ? v
                                                                                           : NAN;
}

static enum nw_status read_row(const struct nw_table *table, size_t row, const int at[N_COLUMNS],
                               struct nw_list_row *ret, struct nw_err *err) {
    const double mas = NW_RAD_PER_DEG / 3.6e6;
    *ret = (struct nw_list_row){.magnitude = number_in(table, row, at[MAG]),
                                .colour_mag = number_in(table, row, at[COLOUR]),
                                .pm_ra_rad_yr = number_in(table, row, at[PM_RA]) * mas,
                                .pm_dec_rad_yr = number_in(table, row, at[PM_DEC]) * mas};
    if (at[NAME] >= 0) {
        nw_text_copy(ret->name, sizeof ret->name, nw_table_cell(table, row, (size_t)at[NAME]));
    }
    enum nw_status status =
        nw_angle_read(nw_table_cell(table, row, (size_t)at[RA]), true, &ret->ra_rad, err);
    status = status == NW_OK ? nw_angle_read(nw_table_cell(table, row, (size_t)at[DEC]), false,
                                             &ret->dec_rad, err)
                             : status;
    if (status == NW_OK &&
        !(fabs(ret->dec_rad) <= NW_PI / 2.0 + 1e-12 && fabs(ret->ra_rad) <= 2.0 * NW_PI + 1e-12)) {
        status = nw_err_set(err, NW_DOMAIN, "RA %g deg, Dec %g deg is not on the sky",
                            ret->ra_rad * NW_DEG_PER_RAD, ret->dec_rad * NW_DEG_PER_RAD);
    }
    return status == NW_OK
               ? status
               : nw_err_at(err, status, "%s:%zu", nw_table_name(table), nw_table_line(table, row));
}

static enum nw_status read_table(const char *path, struct nw_table **ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, LISTS_MAX_BYTES, &data, &len, err);
    if (status != NW_OK) {
        return status;
    }
    const char *const begin = data + strspn(data, " \t\r\n\xEF\xBB\xBF");
    struct nw_buf csv;
    nw_buf_init(&csv, LISTS_MAX_BYTES);
    if (len >= 9 && memcmp(data, "SIMPLE  =", 9) == 0) {
        status = nw_list_fits_to_csv(path, &csv, err);
        status = status == NW_OK ? nw_table_parse(path, csv.data, csv.len, ret, err) : status;
    } else if (begin[0] == '<') {
        status = nw_list_votable_to_csv(path, data, len, &csv, err);
        status = status == NW_OK ? nw_table_parse(path, csv.data, csv.len, ret, err) : status;
    } else {
        status = nw_table_parse(path, data, len, ret, err);
    }
    nw_buf_done(&csv);
    free(data);
    return status;
}

enum nw_status nw_list_read(const char *path, struct nw_list_row **ret, size_t *ret_n,
                            struct nw_err *err) {
    struct nw_table *table = NULL;
    struct nw_list_row *rows = NULL;
    int at[N_COLUMNS];
    enum nw_status status = read_table(path, &table, err);
    status = status == NW_OK ? find_columns(table, at, err) : status;
    const size_t n = status == NW_OK ? nw_table_n_rows(table) : 0;
    if (status == NW_OK && n == 0) {
        status = nw_err_set(err, NW_DATA, "%s: the list is empty", path);
    }
    if (status == NW_OK) {
        rows = nw_calloc(n, sizeof *rows);
        status = rows ? NW_OK : nw_err_set(err, NW_NOMEM, "%s: %zu rows", path, n);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = read_row(table, i, at, &rows[i], err);
    }
    if (status == NW_OK) {
        *ret = rows;
        *ret_n = n;
        rows = NULL;
    }
    free(rows);
    nw_table_free(table);
    return status;
}

/* ---- For the two other forms ---------------------------------------------------------------- */

void nw_list_cell(struct nw_buf *csv, const char *text, bool is_first) {
    nw_buf_printf(csv, "%s\"", is_first ? "" : ",");
    for (const char *c = text + strspn(text, " "); *c; c++) {
        const char kept = *c == '\n' || *c == '\r' ? ' ' : *c;
        nw_buf_printf(csv, "%s%c", kept == '"' ? "\"" : "", kept);
    }
    nw_buf_printf(csv, "\"");
}
