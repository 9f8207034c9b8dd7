/* lists_fits.c - the first table of a FITS file as CSV.
 * Idea: cfitsio reads tables; the file has passed "begins with SIMPLE" and opens as a disk file
 * only (no extended names). Images in tables (ZIMAGE) are refused before anything is unpacked. */
#include <fitsio.h>

#include "image/lists_internal.h"

enum { MAX_ROWS = 2000000, MAX_COLUMNS = 256, CELL = 128 };

static enum nw_status failed(const char *path, const char *what, int status, struct nw_err *err) {
    char reason[FLEN_STATUS] = "";
    fits_get_errstatus(status, reason);
    return nw_err_set(err, NW_FORMAT, "%s: %s: %s", path, what, reason);
}

static enum nw_status first_table(const char *path, fitsfile *file, struct nw_err *err) {
    int n_hdus = 0;
    int fits = 0;
    fits_get_num_hdus(file, &n_hdus, &fits);
    for (int hdu = 2; hdu <= n_hdus && fits == 0; hdu++) {
        int type = 0;
        int is_image = 0;
        int none = 0;
        fits_movabs_hdu(file, hdu, &type, &fits);
        if (fits == 0 && (type == BINARY_TBL || type == ASCII_TBL) &&
            fits_read_key(file, TLOGICAL, "ZIMAGE", &is_image, NULL, &none) != 0) {
            return NW_OK;
        }
    }
    return fits ? failed(path, "cannot be read", fits, err)
                : nw_err_set(err, NW_FORMAT, "%s: a FITS file without a table", path);
}

/* Scalars and texts; a column of arrays is given its first element by cfitsio's own rule. */
static enum nw_status copy_rows(const char *path, fitsfile *file, struct nw_buf *csv,
                                struct nw_err *err) {
    int fits = 0;
    int n_columns = 0;
    long n_rows = 0;
    fits_get_num_cols(file, &n_columns, &fits);
    fits_get_num_rows(file, &n_rows, &fits);
    if (fits || n_columns < 1 || n_columns > MAX_COLUMNS || n_rows > MAX_ROWS) {
        return nw_err_set(err, NW_LIMIT,
                          "%s: %ld rows of %d columns, at most %d rows of %d columns are read",
                          path, n_rows, n_columns, MAX_ROWS, MAX_COLUMNS);
    }
    for (int c = 1; c <= n_columns; c++) {
        char key[FLEN_KEYWORD];
        char name[FLEN_VALUE] = "";
        int none = 0;
        (void)snprintf(key, sizeof key, "TTYPE%d", c);
        if (fits_read_key(file, TSTRING, key, name, NULL, &none) != 0) {
            (void)snprintf(name, sizeof name, "column%d", c);
        }
        nw_list_cell(csv, name, c == 1);
    }
    nw_buf_printf(csv, "\n");
    for (long row = 1; row <= n_rows && fits == 0; row++) {
        for (int c = 1; c <= n_columns && fits == 0; c++) {
            char cell[CELL] = "";
            char *cells[1] = {cell};
            char none[] = "";
            int width = 0;
            int any = 0;
            fits_get_col_display_width(file, c, &width, &fits);
            if (fits == 0 && width < CELL) {
                fits_read_col_str(file, c, row, 1, 1, none, cells, &any, &fits);
            }
            nw_list_cell(csv, cell, c == 1);
        }
        nw_buf_printf(csv, "\n");
    }
    return fits ? failed(path, "its table cannot be read", fits, err) : NW_OK;
}

enum nw_status nw_list_fits_to_csv(const char *path, struct nw_buf *csv, struct nw_err *err) {
    fitsfile *file = NULL;
    int fits = 0;
    fits_open_diskfile(&file, path, READONLY, &fits);
    if (fits) {
        return failed(path, "cannot be opened", fits, err);
    }
    enum nw_status status = first_table(path, file, err);
    status = status == NW_OK ? copy_rows(path, file, csv, err) : status;
    fits = 0;
    fits_close_file(file, &fits);
    return status;
}
