/* catalogue.h - stars and deep-sky objects by name and by place: the fourth public header of the
 * module.
 *
 * Idea: one file, mapped, never parsed: entries sorted by bands of 1 deg of declination and then by
 * right ascension, names sorted by a spelling without case, blanks and signs. Opening it checks the
 * sizes and touches one page. Made by nw_catalogue_pack, at build time from public lists, or from
 * the owner's own.
 * Layout, little endian: docs/formats.md. Places: ICRS at epoch J2000; proper motion where the
 * source has it (the packed list has none: Barnard's star is 4.6 arcmin off by 2026). */
#ifndef NW_SKY_CATALOGUE_H
#define NW_SKY_CATALOGUE_H

#include <stdbool.h>
#include <stdint.h>

#include "base/base.h"

#define NW_KIND_LIST(X)                                                                            \
    X(STAR, "star")                                                                                \
    X(GALAXY, "galaxy")                                                                            \
    X(GALAXIES, "group or cluster of galaxies")                                                    \
    X(OPEN_CLUSTER, "open cluster")                                                                \
    X(GLOBULAR, "globular cluster")                                                                \
    X(PLANETARY, "planetary nebula")                                                               \
    X(BRIGHT_NEBULA, "bright nebula")                                                              \
    X(DARK_NEBULA, "dark nebula")                                                                  \
    X(REMNANT, "supernova remnant")                                                                \
    X(OTHER, "other")
enum nw_kind {
#define X(name, text) NW_KIND_##name,
    NW_KIND_LIST(X)
#undef X
        NW_N_KINDS
};
const char *nw_kind_text(enum nw_kind kind);

/* One entry; NaN and "" where the source does not say. */
struct nw_entry {
    char name[48], also[96];
    enum nw_kind kind;
    double ra_rad, dec_rad;
    double magnitude, colour_mag; /* V (of imported lists: theirs), B-V */
    double opacity;               /* of dark nebulae, 1 to 6 (Lynds 1962), instead of a magnitude */
    double pm_ra_rad_yr, pm_dec_rad_yr; /* pm_ra on the sky (times cos dec) */
    double major_rad, minor_rad;        /* apparent size */
};

struct nw_catalogue;
/* FORMAT: not such a file, made on a machine of the other byte order, or cut short. */
enum nw_status nw_catalogue_open(const char *path, struct nw_catalogue **ret,
                                 struct nw_err *err) NW_CHECKED;
void nw_catalogue_close(struct nw_catalogue *catalogue); /* NULL allowed */
size_t nw_catalogue_n(const struct nw_catalogue *catalogue);
const char *nw_catalogue_note(const struct nw_catalogue *catalogue); /* source and licence */
void nw_catalogue_at(const struct nw_catalogue *catalogue, size_t i, struct nw_entry *ret);

/* "M31", "m 31", "Messier 31", "NGC 224", "ngc0224", "Sh2-155", "HIP 91262", "alf Lyr", "61 Cyg",
 * "Vega", "Andromeda Galaxy". NOTFOUND names the nearest spelling there is. */
enum nw_status nw_catalogue_find(const struct nw_catalogue *catalogue, const char *name,
                                 struct nw_entry *ret, struct nw_err *err) NW_CHECKED;

/* Entries within a radius, nearest first, at most max; fainter than the limit (NaN: none) and
 * without a magnitude under a limit are left out. Returns how many were written. */
struct nw_near {
    size_t i; /* for nw_catalogue_at */
    double distance_rad;
};
size_t nw_catalogue_near(const struct nw_catalogue *catalogue, const double place_rad[static 2],
                         double radius_rad, double magnitude_limit, unsigned kinds, size_t max,
                         struct nw_near *ret);
#define NW_ALL_KINDS ((1u << NW_N_KINDS) - 1u)

/* ---- Making one ------------------------------------------------------------------------------ */

struct nw_pack;                    /* entries being collected */
struct nw_pack *nw_pack_new(void); /* NULL: out of memory */
void nw_pack_free(struct nw_pack *pack);
/* entry->name and ->also are stored; both and every part of `also` between ", " can be found. */
enum nw_status nw_pack_add(struct nw_pack *pack, const struct nw_entry *entry,
                           struct nw_err *err) NW_CHECKED;
/* Another spelling of the last entry that was added. */
enum nw_status nw_pack_spelling(struct nw_pack *pack, const char *name,
                                struct nw_err *err) NW_CHECKED;
enum nw_status nw_pack_write(struct nw_pack *pack, const char *note, const char *path,
                             struct nw_err *err) NW_CHECKED;

/* The spelling that names are compared in; false: nothing is left of it, or too long. */
enum { NW_KEY_SIZE = 64 };
bool nw_catalogue_key(const char *name, char ret[NW_KEY_SIZE]);

#endif
