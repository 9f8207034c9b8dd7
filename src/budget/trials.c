/* trials.c - the cards: see trials.h. Minutes and accuracies are those of
 * their designs; what a simulation has shown of them stands in docs/nights.md. */
#include "budget/trials.h"

#define MOVING                                                                                     \
    "a mount that moves can pinch and tip: clear cables and hands first, watch it, a hand at the " \
    "switch"

static const struct nw_trial CARDS[NW_N_TRIALS] = {
    [NW_TRIAL_DRIVE_OFF_TRAIL] =
        {.id = NW_TRIAL_DRIVE_OFF_TRAIL,
         .title = "Drive-off trail: the seeing, with a witness of its own",
         .steps = "point near the equator and the meridian, focus freshly\n"
                  "guiding off, tracking off; wait 5 s\n"
                  "one exposure of 15 to 20 s through the luminance or a green filter\n"
                  "tracking on; twice more",
         .frames = "3 frames of the main camera, 15 to 20 s",
         .minutes = 4.0,
         .caution = "the mount stands still while the sky turns on: tracking back on before you "
                    "leave it, or the tube meets the pier at the next flip that does not come",
         .settles = "seeing to about 15 % of its width (one frame: 18 %); the wind only a "
                    "little better than the rig file",
         .recognised = "every star is a trail of the same length and direction",
         .evaluate = "trial drive-off-trail --frames FRAME... --rig RIG",
         .quantity = "seeing",
         .terms = {NW_APART_AIR},
         .n_terms = 1,
         .own_error = 0.3, /* of the square: 15 % of the width */
         .is_commissioning = true,
         .is_yearly = true},
    [NW_TRIAL_SHORT_AND_LONG] =
        {.id = NW_TRIAL_SHORT_AND_LONG,
         .title = "Short and long subs in turn: what mount and bending add",
         .steps = "focus freshly; the usual target, guiding on\n"
                  "in turn: one sub of 5 s, one of the usual length; six of each\n"
                  "no dither and no focus run in between",
         .frames = "6 subs of 5 s between 7 of the usual length (which stay subs of the target)",
         .minutes = 3.0,
         .settles = "motion and bending together, to 3 % of the squared width; the seeing cancels",
         .recognised = "subs of at most 10 s between subs ten times as long",
         .evaluate = "trial short-and-long --frames FOLDER --rig RIG",
         .quantity = "motion and flexure",
         .terms = {NW_APART_MOTION, NW_APART_FLEXURE},
         .n_terms = 2,
         .whole_error = 0.03,
         .is_commissioning = true},
    [NW_TRIAL_PAIR_ABOUT_FOCUS] =
        {.id = NW_TRIAL_PAIR_ABOUT_FOCUS,
         .title = "Pair about focus: tilt and curvature with their signs",
         .steps = "a field rich in stars, best focus\n"
                  "move the focuser in by four depths of focus; one frame of 30 s\n"
                  "then out by twice that, always arriving from the same side; one frame\n"
                  "back to best focus, the same way; one frame there tells the book where it was",
         .frames = "2 frames, focuser at known positions either side of best focus",
         .minutes = 3.0,
         .settles = "tilt and curvature to 3 um or 3 %, with sign; which screw, how far",
         .recognised =
             "two frames of one field, one after the other, 1.5 to 12 depths of focus either "
             "side of where the filter's other subs have the focuser",
         .evaluate = "trial pair-about-focus --frames FRAME FRAME --rig RIG",
         .quantity = "tilt",
         .terms = {NW_APART_TILT_CURVATURE, NW_APART_DECENTRE},
         .n_terms = 1,
         .own_error = 0.06,
         .is_commissioning = true,
         .is_yearly = true},
    [NW_TRIAL_ACROSS_A_FOCUS_RUN] =
        {.id = NW_TRIAL_ACROSS_A_FOCUS_RUN,
         .title = "Across a focus run: what the drift of focus costs",
         .steps = "let the usual interval between focus runs go by\n"
                  "three subs of 30 s, a focus run, three subs of 30 s\n"
                  "best at the time of the night when the temperature falls fastest",
         .frames = "3 subs before and 3 after each focus run",
         .minutes = 4.0,
         .settles = "what is lost at the end of an interval, to 5 % of the squared width",
         .recognised = "subs of one length on either side of a change of the focuser position",
         .evaluate = "trial across-a-focus-run --frames FOLDER --rig RIG",
         .quantity = "drift of focus",
         .terms = {NW_APART_FOCUS},
         .n_terms = 1,
         .whole_error = 0.05,
         .is_commissioning = true},
    [NW_TRIAL_NARROW_AND_WIDE] =
        {.id = NW_TRIAL_NARROW_AND_WIDE,
         .title = "Narrow band and luminance in turn: the colour of the lens",
         .steps = "focus freshly in each filter, note the offset\n"
                  "in turn, at fresh focus: luminance 60 s, narrow band 120 s; four of each",
         .frames = "4 subs of each of two filters, in turn",
         .minutes = 12.0,
         .settles = "width that the lens's colour adds over the wide band, to 4 % of the squared "
                    "width",
         .recognised = "subs of two filters in turn, passbands a factor of three apart",
         .evaluate = "trial narrow-and-wide --frames FOLDER --rig RIG",
         .quantity = "lens colour",
         .terms = {NW_APART_LENS_COLOUR},
         .n_terms = 1,
         .whole_error = 0.04},
    [NW_TRIAL_FIRST_AND_THIRD_HOUR] =
        {.id = NW_TRIAL_FIRST_AND_THIRD_HOUR,
         .title = "First and third hour: tube, lens and roof that are still warm",
         .steps = "open as always; focus; a field that stays between airmass 1 and 1.3\n"
                  "five subs of 60 s in the first half hour, focus freshly before\n"
                  "the same field or airmass in the third hour: focus, five subs of 60 s",
         .frames = "5 subs in the first half hour, 5 in the third hour",
         .minutes = 12.0,
         .settles = "local air at the start, to 13 % of the squared width (the air above may have "
                    "changed; three evenings: 8 %)",
         .recognised = "subs in the first half hour and two hours later in one night",
         .evaluate = "trial first-and-third-hour --frames FOLDER --rig RIG",
         .quantity = "local air",
         .terms = {NW_APART_LOCAL_AIR},
         .n_terms = 1,
         .whole_error = 0.13},
    [NW_TRIAL_THERE_AND_BACK] =
        {.id = NW_TRIAL_THERE_AND_BACK,
         .title = "There and back: play of the declination gears",
         .steps = "guide star near the equator and the meridian, guiding program logging\n"
                  "corrections off; pulses of 1 s in declination, ten one way\n"
                  "then ten back, then ten the first way again, one every 4 s",
         .frames = "a guide log of 3 minutes with pulses and no corrections",
         .minutes = 3.0,
         .caution = MOVING,
         .settles = "play to 15 ms or 3 %, response in declination",
         .recognised = "a guide log whose pulses go ten one way, ten back",
         .evaluate = "trial there-and-back --frames LOG --rig RIG",
         .quantity = "play in declination",
         .is_commissioning = true,
         .is_yearly = true},
    [NW_TRIAL_DRIVE_ONLY] =
        {.id = NW_TRIAL_DRIVE_ONLY,
         .title = "Drive only: the worm by itself",
         .steps = "guide star near the equator and the meridian, exposures of 1 s\n"
                  "corrections off, log on, for two turns of the worm and a little more",
         .frames = "a guide log of two worm turns without pulses",
         .minutes = 20.0,
         .caution = MOVING,
         .settles = "period and amplitude of worm and harmonics at the axis; what a predictor "
                    "would take off",
         .recognised = "a guide log without a single pulse, longer than two worm turns",
         .evaluate = "trial drive-only --frames LOG --rig RIG",
         .quantity = "worm amplitude",
         .is_commissioning = true,
         .is_yearly = true},
    [NW_TRIAL_ROTATOR_HALF_TURN] =
        {.id = NW_TRIAL_ROTATOR_HALF_TURN,
         .title = "Rotator, half a turn: which side of it is tilted",
         .steps = "pair about focus at low altitude\n"
                  "turn the rotator by half a turn (90 degrees tell it, too), mind the cables\n"
                  "the same pair again",
         .frames = "2 pairs about focus, rotator angles noted in the headers",
         .minutes = 8.0,
         .caution = "cables wind up: look before you turn; camera and filter wheel are heavy when "
                    "the clamp is loose",
         .settles = "tilt of camera against tilt of focuser and corrector, to 5 um",
         .recognised = "two pairs whose rotator angles differ by 60 to 180 degrees",
         .evaluate = "trial rotator-half-turn --frames FRAME... --rig RIG",
         .quantity = "tilt that turns",
         .is_commissioning = true},
    [NW_TRIAL_TWO_TUBE_SIDES] =
        {.id = NW_TRIAL_TWO_TUBE_SIDES,
         .title = "Both tube sides: sag against what is rigid",
         .steps = "pair about focus low in the east, tube west\n"
                  "flip; pair about focus low in the west, tube east",
         .frames = "2 pairs about focus, one each side of the pier, below 35 degrees",
         .minutes = 12.0,
         .caution = MOVING,
         .settles = "sag of focuser and camera, to 5 um; tells flat error from sky gradient, too",
         .recognised = "two pairs on different tube sides, rotator as it was",
         .evaluate = "trial two-tube-sides --frames FRAME... --rig RIG",
         .quantity = "sag",
         .is_commissioning = true,
         .is_yearly = true},
    [NW_TRIAL_FIVE_SECOND_FRAME] =
        {.id = NW_TRIAL_FIVE_SECOND_FRAME,
         .title = "Five-second frame: the zero point",
         .steps = "one frame of 5 s in luminance, once an hour, any field with a star of V 7 to 9",
         .frames = "1 frame of 5 s, stars of the catalogue not saturated",
         .minutes = 0.5,
         .settles = "throughput of air and optics to about 5 %; haze against dust over the months",
         .recognised = "a frame of 3 to 8 s amid long subs, no other short one near",
         .evaluate = "trial five-second-frame --frames FRAME --rig RIG",
         .quantity = "throughput",
         .is_commissioning = true},
    [NW_TRIAL_CAP_ON] = {.id = NW_TRIAL_CAP_ON,
                         .title = "Cap on: dark current, and light that leaks in",
                         .steps = "cap or panel on, panel dark, camera cold\n"
                                  "darks of 60, 300 and 900 s, three each, by night\n"
                                  "the same of 300 s by day, or with a lamp at every joint in turn",
                         .frames = "9 darks and 3 with light outside",
                         .minutes = 80.0,
                         .is_cloud_work = true,
                         .settles = "dark current to 5 % or 0.0005 e-/s; a leak of 0.01 e-/s",
                         .recognised =
                             "darks of one length and temperature, by night and with the Sun up",
                         .evaluate = "trial cap-on --frames FOLDER --rig RIG; sensor FOLDER",
                         .quantity = "light leak",
                         .is_commissioning = true,
                         .is_yearly = true},
    [NW_TRIAL_EDGE_CARD] =
        {.id = NW_TRIAL_EDGE_CARD,
         .title = "Edge card: which side of the chip is up",
         .steps = "panel on and dim, or twilight sky\n"
                  "hold a card over the upper edge of the dew cap, a third of the opening\n"
                  "one flat with it; one without",
         .frames = "2 flats with one edge in shadow",
         .minutes = 2.0,
         .is_cloud_work = true,
         .settles = "which edge of the frame belongs to which screw and which way is up",
         .recognised = "a flat with a slope of more than 5 % to one edge, beside a plain one",
         .evaluate =
             "trial edge-card --frames FLAT... --rig RIG; surface --rig RIG names the screws",
         .quantity = "dark edge",
         .is_commissioning = true},
    [NW_TRIAL_ALTERNATING_NIGHT] =
        {.id = NW_TRIAL_ALTERNATING_NIGHT,
         .title = "Alternating night: two settings of the guider against each other",
         .steps = "note both settings; change from one to the other every 20 minutes\n"
                  "all night, whatever the air does",
         .frames = "a guide log with marks, or two logs in turn",
         .minutes = 1.0,
         .settles = "which of the two moves the star less, to about 5 % after 4 hours",
         .recognised = "a guide log whose settings go by turns: event rows or headers of its runs",
         .evaluate = "trial alternating-night --frames LOG --rig RIG",
         .quantity = "motion of one setting over the other"},
};

static const char *const NAMES[NW_N_TRIALS] = {
#define X(name, id) id,
    NW_TRIAL_LIST(X)
#undef X
};

const struct nw_trial *nw_trial_get(enum nw_trial_id id) {
    return &CARDS[id];
}

const char *nw_trial_name(enum nw_trial_id id) {
    return NAMES[id];
}

enum nw_status nw_trial_find(const char *name, const struct nw_trial **ret, struct nw_err *err) {
    for (int k = 0; k < NW_N_TRIALS; k++) {
        if (strcmp(name, NAMES[k]) == 0) {
            *ret = &CARDS[k];
            return NW_OK;
        }
    }
    const char *const nearest = nw_text_nearest(name, NAMES, NW_N_TRIALS);
    return nw_err_set(err, NW_NOTFOUND, "no trial '%s'%s%s%s", name,
                      nearest ? " (nearest: " : "; `nightwright trial` lists them",
                      nearest ? nearest : "", nearest ? ")" : "");
}
