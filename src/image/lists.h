/* lists.h - lists of stars or objects that an owner brings: CSV, VOTable, FITS table.
 *
 * Idea: the three become one table of text (base/table.h), columns are found by the names that
 * archives use (case ignored), and every row is a place on the sky with what else is known. */
#ifndef NW_IMAGE_LISTS_H
#define NW_IMAGE_LISTS_H

#include "base/base.h"

struct nw_list_row { /* NaN, "": not said */
    char name[48];
    double ra_rad, dec_rad;
    double magnitude, colour_mag;       /* colour: B-V, or what the list has in its place */
    double pm_ra_rad_yr, pm_dec_rad_yr; /* pm_ra on the sky (times cos dec), as archives give it */
};

/* By what the file begins with, not by its name. Columns: ra, dec (degrees; or sexagesimal text,
 * right ascension in hours) under the names in docs/formats.md, required; name, magnitude, colour,
 * proper motion (mas/yr) where they are. *ret is yours to free. Errors: as base/table.h; no column
 * for a place (with those that are there); a place that is not on the sky, with its line; VOTable
 * with anything but TABLEDATA; FITS without a table. */
enum nw_status nw_list_read(const char *path, struct nw_list_row **ret, size_t *ret_n,
                            struct nw_err *err) NW_CHECKED;

#endif
