/* live.h - second public header of book: is the night going as it should? Subs in order of time in,
 * alerts with reason and hysteresis out.
 *
 * Pure: the same subs give the same alerts, so a watch that was stopped and started again says the
 * same. An alert is raised when its number was over the limit in as many subs in a row as its row
 * of NW_LIVE_KIND_LIST says, and cleared when it was under the lower limit in as many; in between
 * nothing changes. */
#ifndef NW_BOOK_LIVE_H
#define NW_BOOK_LIVE_H

#include "book/book.h"
#include "sky/sky.h"

#define NW_LIVE_KIND_LIST(X)                                                                       \
    X(WIDTH, "width", "stars wider than they should be", 3)                                        \
    X(FOCUS, "focus", "focus drifting since the last focus run", 2)                                \
    X(SHAPE, "shape", "stars longer than wide", 3)                                                 \
    X(LIGHT, "light", "light lost: cloud, haze or dew", 2)                                         \
    X(GUIDING, "guiding", "guide errors larger than earlier in the night", 2)                      \
    X(STOPPED, "stopped", "no new frame", 1)                                                       \
    X(DISK, "disk", "disk will be full", 1)                                                        \
    X(MERIDIAN, "meridian", "target nears the meridian", 1)                                        \
    X(CONTACT, "contact", "the tube nears a contact on this side", 1)                              \
    X(DEW, "dew", "dew or frost is near", 2)
enum nw_live_kind {
#define X(name, word, text, n) NW_LIVE_##name,
    NW_LIVE_KIND_LIST(X)
#undef X
        NW_LIVE_N_KINDS
};
const char *nw_live_kind_word(enum nw_live_kind kind);
const char *nw_live_kind_text(enum nw_live_kind kind);

/* NaN: not known. */
struct nw_live_sub {
    double t_start_utc_s, exposure_s, airmass;
    double fwhm_px, foretold_px, foretold_sigma_px; /* delivered; the rig's, at this airmass */
    double scale_rad_px;
    double noise_adu;                /* of a sky pixel */
    double elongation, transmission; /* against the night's best of this target and filter */
    double focuser_steps, focuser_temperature_K;
    double ra_rad, dec_rad, longitude_rad;
    size_t n_stars;
    int64_t size_bytes;
    char filter[32], object[72], tube_side[8];
};
struct nw_live_guiding { /* ten minutes of guide log */
    double t_end_utc_s;
    double rms_rad; /* as logged, both axes; from the MAD, so that dithers count little */
};
/* When the tube would touch something on this target if the mount goes on tracking, from the rig's
 * outlines; see ahead.h, which works it out. */
struct nw_live_contact {
    char why_null[160];   /* "" = known; the times below may still be NaN: it sets before */
    bool is_east;         /* where the tube stands, seen from the pier */
    bool is_side_assumed; /* the frames do not say */
    bool is_side_unusual; /* weights up: other programs may mean the other side by the same word */
    double ha_rad;        /* now; west + */
    double contact_s, contact_ha_rad;
    double sure_s, sure_ha_rad; /* up to here 95 % are sure of no contact */
    double flipped_free_s;      /* after a flip free until then, 95 % sure; NaN: a flip does not
                                   clear it; infinite: for 12 hours or until it sets */
    char meets[140];
};
/* A moment of the climate log with the roof open, or not said, and nothing covered. */
enum { NW_LIVE_SURFACES = 16, NW_LIVE_AIR = -1 };
struct nw_live_climate {
    double t_utc_s;
    double margin_K; /* of the coldest surface, or the air, above the dew or frost point of the air;
                        NaN: not known */
    int surface;     /* of `surfaces`; NW_LIVE_AIR: none is logged, the air stands in */
    bool is_frost;   /* what comes first */
};
struct nw_live_volts { /* the lowest of a minute */
    double t_utc_s, volts;
};
/* Where that is going: a straight line over the last half hour. */
struct nw_live_dew {
    char why_null[120]; /* "" = known */
    char of[48];        /* "front lens", "air" */
    bool is_air, is_frost;
    double t_utc_s, margin_K;              /* of the line, at the last row */
    double rate_K_s, rate_sigma_K_s;       /* NaN: under 5 rows or 10 minutes */
    double dew_s, dew_from_s, dew_until_s; /* NaN: it does not fall; until infinite */
};
struct nw_live_alert {
    enum nw_live_kind kind;
    double t_raised_s, t_cleared_s; /* NaN: still on */
    double value, limit;            /* when it was raised; unit as its text says */
    char text[320];
};
enum { NW_LIVE_MAX_ALERTS = 200 };
struct nw_live {
    char date[NW_BOOK_DATE];
    struct nw_live_sub *subs; /* in order of time */
    size_t n;
    struct nw_live_guiding *guiding;
    size_t n_guiding;
    struct nw_live_climate *climate; /* in order of time */
    size_t n_climate;
    char surfaces[NW_LIVE_SURFACES][48];
    size_t n_surfaces;
    struct nw_live_volts *volts; /* of the circuit whose volts dip deepest against their median */
    size_t n_volts;
    char volts_of[56];
    double usual_V;
    bool has_climate, has_humidity; /* a climate log of the night; one that tells the moisture */
    struct nw_live_alert alerts[NW_LIVE_MAX_ALERTS]; /* in order of t_raised_s */
    size_t n_alerts;
    double exposure_h;              /* sum */
    double bytes_per_s;             /* that frames take on the disk; NaN under 3 */
    double t_last_end_s;            /* end of the last sub */
    double usual_gap_s;             /* median from the end of one to the start of the next */
    struct nw_live_contact contact; /* of the last tick */
    bool has_contact;               /* false: nobody asked */
};

/* What the rig foretells; NULL: width is held against the night's own best. */
struct nw_live_foretold {
    /* at airmass airmass[i], ascending; widths on the sky with their sigma */
    double airmass[8], fwhm_rad[8], sigma_rad[8];
    size_t n;
    char filter[32];          /* "": for all */
    struct nw_rig_names also; /* what frame headers call it besides */
};
/* Reads the subs and guide runs of a night (date "" or NULL: the last with light frames) and
 * replays the alerts that need no clock. NOTFOUND: no light frame. */
enum nw_status nw_live_read(struct nw_book *book, const char *date,
                            const struct nw_live_foretold *foretold, struct nw_live *ret,
                            struct nw_err *err) NW_CHECKED;
void nw_live_done(struct nw_live *live);
/* Where the frames of a night were taken, as the first that says so; NaN: none does. */
struct nw_place nw_live_place(struct nw_book *book, const char *date);
/* The dew margin and where it goes, as of the last row; also whether it cannot be told. */
void nw_live_dew_of(const struct nw_live *live, struct nw_live_dew *ret);
/* The alerts of subs, guiding and climate alone, for a `live` whose subs are filled. */
void nw_live_replay(struct nw_live *live);

/* Adds what only the clock tells: no frame for too long, the meridian or a contact near, the disk
 * full before `t_dawn_s`.
 *   given  free_bytes     of the disk where the frames land; negative: not known
 *          was_disk_near  the disk's alert was on at the call before (its hysteresis) */
struct nw_live_clock {
    double now_utc_s;
    double free_bytes;
    bool was_disk_near;
    const struct nw_live_contact *contact; /* NULL: nobody asked */
};
void nw_live_tick(struct nw_live *live, const struct nw_live_clock *clock);

#endif
