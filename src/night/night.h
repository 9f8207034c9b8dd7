/* night.h - one night of one rig: what can be imaged when, in which order, with which subs.
 *
 * Idea: the night is cut into slots of five minutes. For each target, filter and slot there is a
 * worth: how much the slot brings, as a share of what it would bring under the dark sky at the
 * zenith (the same SNR gained squared), 0 where something stands against it. The order of one to
 * three targets is then searched for exhaustively. Pure: sky, rig and wishes come in, a plan goes
 * out; all windows are those of the model ("contact-free in the model", never safe). */
#ifndef NW_NIGHT_H
#define NW_NIGHT_H

#include "light/gains.h"
#include "mount/clearance.h"
#include "optics/optics.h"
#include "rig/targets.h"
#include "sky/bright.h"

#define NW_SLOT_s 300.0
enum {
    NW_NIGHT_SLOTS = 289,
    NW_NIGHT_STEPS = 3,
    NW_NIGHT_BLOCKS = 64,
    NW_NIGHT_SWITCHES = 24,
    NW_NIGHT_AZIMUTHS = 72,
    NW_NIGHT_PLANETS = 4
};

/* Share of clear sky over time, from the owner's forecast. */
struct nw_forecast {
    const double *t_utc_s, *clear; /* rising times; 0 to 1; linear between, held outside */
    size_t n;
};

struct nw_night_input {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_targets *targets; /* places known */
    double date_s;                    /* midnight of the evening's date, as if UTC */
    double focus_interval_s, focus_run_s;
    struct nw_psf star; /* as delivered, for the stars that saturate; zeroed: they do not count */
    const struct nw_clearance *model; /* NULL: contacts are not known */
    /* altitude above which half of the main tube's light passes walls and roof, at
       NW_NIGHT_AZIMUTHS azimuths from north on; NULL: not known */
    const double *tube_horizon_rad;
    const struct nw_forecast *forecast; /* NULL: clear all night */
};

/* The light of one filter at one moment: the one place where the plan asks for it. target: whose
 * field's stars count (habit saturated_stars); NULL: none. */
struct nw_night_light {
    double sky_e_s_px;    /* at the sensor */
    double sub_s;         /* length of a sub by the light budget (light/light.h) */
    double read_loss;     /* share of time lost to read noise at that length */
    double noise_e2_s_px; /* sky + dark + read noise spread over the sub */
};
struct nw_night_light nw_night_light_of(const struct nw_night_input *input,
                                        const struct nw_filter *filter,
                                        const struct nw_target *target, double sky_nl);
/* Exposure under the dark sky at the zenith for an SNR in 1 arcsec2 of an extended source. */
double nw_night_exposure_s(const struct nw_night_input *input, const struct nw_filter *filter,
                           double brightness_mag_arcsec2, double snr);

enum nw_night_bar { /* what stands against a slot, the first that does */
                    NW_BAR_NONE,
                    NW_BAR_TWILIGHT,
                    NW_BAR_LOW,
                    NW_BAR_HORIZON, /* the owner's list */
                    NW_BAR_TUBE,    /* walls, as the tube's light column sees them */
                    NW_BAR_MOON,
                    NW_BAR_PLANET, /* Venus, Mars, Jupiter or Saturn in or beside the field */
                    NW_BAR_CONTACT
};
const char *nw_night_bar_text(enum nw_night_bar bar);

struct nw_night_target {
    const struct nw_target *target;
    double usable_s; /* slots without a bar */
    double need_s;   /* exposure still wanted, all filters and panels, dark sky at the zenith */
    double could_s;  /* worth if it had the whole night, overheads off */
    double given_s;  /* worth in the plan */
    double highest_rad, transit_s;
    enum nw_night_bar most; /* what stood against most of the dark slots */
    bool never_rises;
    double first_s, last_s; /* window; NaN without */
};

struct nw_night_block {
    size_t target;
    const char *filter;
    double start_s, end_s;
    double exposure_s, read_loss;
    size_t subs, focus_runs, dithers;
    double altitude_start_rad, altitude_end_rad;
    double sky_mag;
    enum nw_side side;
    bool flip; /* a flip comes before this block */
};
struct nw_night_turn {
    size_t target;
    double angle_rad, turn_rad; /* position angle wanted; turn from the one before, + N through E */
    double rim_m;               /* along the rim; NaN: its diameter is not known */
};
struct nw_night_switch {
    double t_s;
    const char *load, *action;
    char why[160];
};

struct nw_plan {
    double sunset_s, sunrise_s;
    struct nw_dark dark;
    struct nw_moon_events moon;
    double moon_lit;
    struct nw_sky_moment moments[NW_NIGHT_SLOTS]; /* middles of the slots */
    size_t n_slots;
    double slot0_s;
    double planets[NW_NIGHT_PLANETS][3]; /* directions at the middle of the night, as seen */
    struct nw_night_target *targets;
    size_t n_targets;
    size_t order[NW_NIGHT_STEPS];
    double from_s[NW_NIGHT_STEPS], to_s[NW_NIGHT_STEPS];
    size_t n_order;
    double worth_s, second_s; /* weighted by priority; the best other set or order */
    size_t second[NW_NIGHT_STEPS];
    size_t n_second;
    struct nw_night_block blocks[NW_NIGHT_BLOCKS];
    size_t n_blocks;
    struct nw_night_turn turns[NW_NIGHT_STEPS];
    size_t n_turns;
    double unused_s, flips_s, slews_s, focus_s;
    struct nw_night_switch switches[NW_NIGHT_SWITCHES];
    size_t n_switches;
    double stop_s; /* with a forecast: from here on less than 15 min of worth is to be expected */
};

/* DATA: no darkness (with how low the Sun gets and the nearest nights that have some are the
 * caller's), no target. A plan without any block is a plan. */
enum nw_status nw_plan_new(const struct nw_night_input *input, struct nw_plan **ret,
                           struct nw_err *err) NW_CHECKED;
void nw_plan_free(struct nw_plan *plan);

/* Centres of a mosaic's panels (ra, dec), row by row; at most NW_NIGHT_PANELS. angle_rad: of the
 * frame's +y; NaN: north up. Returns how many. */
enum { NW_NIGHT_PANELS = 400 };
size_t nw_night_panels(const struct nw_setup *setup, const struct nw_target *target,
                       double angle_rad, double ret_rad[NW_NIGHT_PANELS][2]);

/* The Sun's day at the site, to 5 min: for imaging the Sun itself. NaN where it does not rise, or
 * not so high. */
#define NW_SOLAR_LOW_RAD (20.0 * NW_RAD_PER_DEG) /* below it the air boils; common practice */
struct nw_solar_card {
    double rise_s, set_s, transit_s, from_s, to_s, highest_rad;
};
enum nw_status nw_solar_card_of(const struct nw_rig *rig, double date_s, struct nw_solar_card *ret,
                                struct nw_err *err) NW_CHECKED;

/* ---- Season ---------------------------------------------------------------------------------- */

struct nw_season_row {
    const struct nw_target *target;
    double available_s; /* all slots of all nights without a bar */
    double need_s;
    /* evening (midnight as if UTC) of the last night with at least an hour before a gap of 30
       nights or more: the end of the first season of the stretch */
    double last_s;
    bool has_ended;
    double best_s; /* evening with the most */
    double best_night_s;
    size_t nights, moonless; /* with at least an hour; of these without Moon in it */
    bool is_all_year;        /* no such gap within the stretch */
};
/* n_days nights from input->date_s on (1 to 400), one row a target, in the order of the file. */
enum nw_status nw_season(const struct nw_night_input *input, size_t n_days,
                         struct nw_season_row *ret, size_t *ret_dark_nights,
                         struct nw_err *err) NW_CHECKED;

/* One gain setting of the camera for the filters of the plan, or one for each, where it pays. */
void nw_plan_gains(const struct nw_night_input *input, const struct nw_plan *plan,
                   struct nw_light_gain_plan *ret);

#endif
