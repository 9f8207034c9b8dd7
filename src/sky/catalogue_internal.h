/* catalogue_internal.h - the packed file, as its writer and its reader see it. */
#ifndef NW_SKY_CATALOGUE_INTERNAL_H
#define NW_SKY_CATALOGUE_INTERNAL_H

#include "sky/catalogue.h"

#define CAT_MAGIC "NWCAT1\r\n"
#define CAT_ORDER 0x01020304u
enum { CAT_BANDS = 180, CAT_NO_I16 = INT16_MIN };

struct cat_header {
    char magic[8];
    uint32_t order, n_entries, n_names, text_bytes;
    uint32_t note; /* offset in the text */
    uint32_t spare[3];
};
struct cat_entry {
    uint32_t ra_e7;            /* 1e-7 deg, 0..360 */
    int32_t dec_e7;            /* 1e-7 deg */
    uint32_t name, also;       /* offsets in the text */
    int16_t mag_e3, colour_e3; /* CAT_NO_I16: none */
    int16_t pm_ra_mas, pm_dec_mas;
    uint16_t major_e1, minor_e1; /* 0.1 arcmin, 0: none */
    uint8_t kind, opacity;       /* opacity 0: none */
    uint16_t spare;
};
struct cat_name {
    uint32_t key; /* offset in the text */
    uint32_t entry;
};
_Static_assert(sizeof(struct cat_header) == 40, "file layout");
_Static_assert(sizeof(struct cat_entry) == 32, "file layout");
_Static_assert(sizeof(struct cat_name) == 8, "file layout");
/* The file: header, uint32 first[CAT_BANDS + 2] (index of the first entry of each band of 1 deg
 * from -90 deg on; 182 of them keep the entries on a multiple of 8), entries, names, text. */
enum { CAT_FIRSTS = CAT_BANDS + 2 };

#endif
