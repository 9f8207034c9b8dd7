/* streaks_internal.h - what the files of the search for trails share. Coordinates are those of the
 * measured grid. */
#ifndef NW_STREAKS_INTERNAL_H
#define NW_STREAKS_INTERNAL_H

#include "image/aspects_internal.h"

struct streak_bins {     /* residual image, coarse: sky off, in sigmas of a bin, cut at both ends */
    size_t nx, ny, side; /* bins; pixels along a side of one */
    float *z;            /* nx * ny, owned */
    float *work;         /* of streak_radon, kept from call to call */
};
/* NOMEM; nx 0 when the frame is too small. */
enum nw_status streak_bins_make(const struct field *field, double fwhm_px, struct streak_bins *ret,
                                struct nw_err *err) NW_CHECKED;
void streak_bins_done(struct streak_bins *bins);
/* Bins within reach_px of the line become 0. */
void streak_bins_erase(struct streak_bins *bins, const struct nw_streak *line, double reach_px);

struct streak_guess { /* ends in grid px */
    double x0, y0, x1, y1, snr;
    int reach; /* how far off it may be at its ends, px across */
};
/* The most significant line of the bins, whole or in part (32 columns and more), that is above
 * least_snr; snr 0: none. */
enum nw_status streak_radon(struct streak_bins *bins, double least_snr, int n_threads,
                            struct streak_guess *ret, struct nw_err *err) NW_CHECKED;

/* The line on the pixels themselves: ends, width, light; false when it is no trail. */
enum nw_status streak_refine(const struct field *field, const struct star_list *list,
                             const struct streak_guess *guess, struct nw_streak *ret,
                             bool *ret_is_trail, struct nw_err *err) NW_CHECKED;

/* ---- streak_line.c and streak_light.c ---- */
enum { SEGMENTS_MAX = 240, PIECES_MAX = 4000, REACH_MAX = 160 };
/* Of the sum; 1e6 lines are tried: 7 for noise alone, 9 for crowding. */
#define STREAK_SNR_MIN 9.0
#define STREAK_LENGTH_MIN_PX 60.0

struct strip {
    double x0, y0, x1, y1; /* where it begins and ends */
    double piece_px;       /* length of its segments; 0: 240 segments, of 8 px at least */
    bool is_steep;         /* walked along y, offsets along x */
    size_t n;              /* segments */
    long first, last;      /* of the walk */
    int reach;             /* offsets -reach .. reach */
    double cosine;         /* distance across per offset; 1/cosine: length per step */
    float *cut, *full;     /* n * (2 reach + 1) means: in sigmas, cut; in ADU, not cut */
};

struct lights {
    double value[SEGMENTS_MAX]; /* light of each segment in the core, sigmas, flanks off */
    double noise;               /* of one of them, from windows beside the line */
    double fwhm;                /* across, offsets */
    double adu, adu_sigma;      /* sum across of the usual profile */
    size_t from, to;            /* segments with light: from .. to - 1 */
    double usual;               /* median of value there */
};

size_t strip_columns(const struct strip *s);
/* Cuts a strip along the line given by its ends; s holds these, the reach and piece_px. */
enum nw_status strip_fill(const struct field *field, struct strip *s,
                          struct nw_err *err) NW_CHECKED;
void strip_done(struct strip *s);
double strip_window(const float *row, long middle, long half, long n);
/* Whether all pixels of such a window are inside the strip and the frame. */
bool strip_is_inside(const float *row, long middle, long half, long n);
/* streak_light.c: width and light across; light of each segment; the lit stretch */
void lights_across(const struct strip *s, struct lights *l);
void lights_along(const struct strip *s, struct lights *l);
void lights_ends(const struct strip *s, struct lights *l);
struct nw_streak lights_describe(const struct strip *s, const struct lights *l);
bool lights_are_trail(const struct strip *s, const struct lights *l, const struct star_list *list,
                      const struct nw_streak *streak);

/* ---- streak_beside.c ---- */
/* Whether the line is more than lines beside it: the same sums on parallels 8 to 160 px away. */
enum nw_status streak_stands_out(const struct field *field, const struct nw_streak *t,
                                 bool *ret_does, struct nw_err *err) NW_CHECKED;
/* Whether its light is there all along, not in pieces as a row of stars has it. */
enum nw_status streak_is_unbroken(const struct field *field, double fwhm_px,
                                  const struct nw_streak *streak, bool *ret_is,
                                  struct nw_err *err) NW_CHECKED;

#endif
