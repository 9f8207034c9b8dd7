/* keys_row.h - how a row of the table of keys is written; for the keys_*.c files alone.
 * Idea: each keys_<topic>.c is one stretch of the table, in the order of docs/rig-keys.md; keys.c
 * lists them. Ranges and defaults are texts with units, as an owner would write them; a test reads
 * every one of them back. Defaults: PRACTICE is what the trade expects of an ordinary site or part;
 * its standard error is wide enough to hold most of them. "from memory" names a source that was not
 * at hand when the number was written down. */
#ifndef NW_RIG_KEYS_ROW_H
#define NW_RIG_KEYS_ROW_H

#include "rig/rig_internal.h"

#define OBJ_STAGED(m) offsetof(struct nw_rig_staged, m)
#define OBJ_SETUP(m) offsetof(struct nw_rig_staged, setup.m)
#define SIZE_OF(s, m) sizeof(((struct s *)NULL)->m)
#define PRACTICE "common practice, no source"

/* Rows: values by the owner that have no default; values with a default; values derived from
 * others when not given. */
#define NEEDED(p, obj, s, m, d, lo, hi, text)                                                      \
    {                                                                                              \
        .path = (p), .object = NW_RIG_##obj, .kind = NW_RIG_VALUE, .dim = NW_DIM_##d, .min = (lo), \
        .max = (hi), .flags = NW_RIG_REQUIRED, .offset = offsetof(struct s, m), .meaning = (text)  \
    }
#define ASSUMED(p, obj, s, m, d, lo, hi, def, sig, reason, text)                                   \
    {                                                                                              \
        .path = (p), .object = NW_RIG_##obj, .kind = NW_RIG_VALUE, .dim = NW_DIM_##d, .min = (lo), \
        .max = (hi), .fallback = (def), .spread = (sig), .why = (reason),                          \
        .offset = offsetof(struct s, m), .meaning = (text)                                         \
    }
#define DERIVED(p, obj, s, m, d, lo, hi, how, text)                                                \
    {                                                                                              \
        .path = (p), .object = NW_RIG_##obj, .kind = NW_RIG_VALUE, .dim = NW_DIM_##d, .min = (lo), \
        .max = (hi), .why = (how), .offset = offsetof(struct s, m), .meaning = (text)              \
    }
#define WORD(p, obj, s, m, list, def, fl, text)                                                    \
    {                                                                                              \
        .path = (p), .object = NW_RIG_##obj, .kind = NW_RIG_WORD, .words = (list),                 \
        .fallback = (def), .flags = (fl), .offset = offsetof(struct s, m), .size = SIZE_OF(s, m),  \
        .meaning = (text)                                                                          \
    }
#define PART(p, m, inventory, fl, text)                                                            \
    {                                                                                              \
        .path = (p), .object = NW_RIG_SETUP, .kind = NW_RIG_PART, .words = (inventory),            \
        .flags = (fl), .offset = OBJ_STAGED(m), .size = SIZE_OF(nw_rig_staged, m),                 \
        .meaning = (text)                                                                          \
    }
#define COUNT(p, m, lo, hi, text)                                                                  \
    {                                                                                              \
        .path = (p), .object = NW_RIG_CAMERA, .kind = NW_RIG_COUNT, .dim = NW_DIM_NUMBER,          \
        .min = (lo), .max = (hi), .flags = NW_RIG_REQUIRED | NW_RIG_WHOLE,                         \
        .offset = offsetof(struct nw_camera, m), .meaning = (text)                                 \
    }
#define WIDTH(id, text)                                                                            \
    {                                                                                              \
        .path = "setups.*.allocations." id, .object = NW_RIG_SETUP, .kind = NW_RIG_WIDTH,          \
        .dim = NW_DIM_ANGLE, .min = "0 arcsec", .max = "60 arcsec", .words = (id),                 \
        .meaning = (text)                                                                          \
    }
#define HABIT(p, m, d, lo, hi, def, sig, reason, text)                                             \
    ASSUMED("setups.*." p, SETUP, nw_rig_staged, setup.m, d, lo, hi, def, sig, reason, text)

/* Ends a stretch of the table: the list that keys.c takes. */
#define KEYS_OF(topic, rows)                                                                       \
    const struct nw_rig_keys nw_rig_keys_##topic = {rows, sizeof(rows) / sizeof((rows)[0])}

#endif
