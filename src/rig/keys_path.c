/* keys_path.c - keys of the rig file: the optical path behind the corrector, rings, what the
 * focuser is known to do. */
#include "rig/keys_row.h"

#define GLASSES "N-BK7|fused_silica|sapphire|unsaid"
#define GLASS(p, obj, s, m, text)                                                                  \
    WORD(p, obj, s, m, GLASSES, "unsaid", 0, text " (unsaid: its index is taken as 1.52 +- 0.03)")
#define INDEX(p, obj, s, m)                                                                        \
    DERIVED(p, obj, s, m, NUMBER, "1.2", "2.6", "its glass, at the middle of the passband",        \
            "index of that glass, where it is known better")

static const struct nw_rig_key ROWS[] = {
    /* ---- correctors ---- */
    DERIVED("correctors.*.back_focus", CORRECTOR, nw_corrector, back_focus_m, LENGTH, "1 mm", "2 m",
            "not known: there is no back-focus budget then",
            "distance that the maker asks for, in air, from his datum to the sensor"),
    DERIVED("correctors.*.back_focus_tolerance", CORRECTOR, nw_corrector, back_focus_tolerance_m,
            LENGTH, "0.01 mm", "20 mm",
            "0.5 mm, where back_focus is given (common practice, no source)",
            "how far off the spacing may be, to each side"),
    WORD("correctors.*.back_focus_from", CORRECTOR, nw_corrector, back_focus_from,
         "shoulder|thread_end|last_glass|unsaid", "unsaid", 0,
         "the datum the maker counts from: the shoulder that the next part is screwed against, the "
         "end of the thread, the last glass; ask him where he does not say"),
    DERIVED("correctors.*.shoulder", CORRECTOR, nw_corrector, shoulder_m, LENGTH, "-100 mm",
            "100 mm", "0 with the datum shoulder or unsaid; needed with the others",
            "from the datum to the shoulder; positive when the shoulder is nearer to the camera"),
    WORD("correctors.*.includes_filter", CORRECTOR, nw_corrector, includes_filter, "yes|no|unsaid",
         "unsaid", 0, "whether the maker's distance has a filter in it already"),
    WORD("correctors.*.includes_window", CORRECTOR, nw_corrector, includes_window, "yes|no|unsaid",
         "unsaid", 0, "whether the maker's distance has the camera's window in it already"),

    /* ---- pieces of the path, rings ---- */
    NEEDED("pieces.*.length", PIECE, nw_piece, length_m, LENGTH, "0 mm", "2 m",
           "mechanical length, shoulder to shoulder; its sigma is its tolerance"),
    DERIVED("pieces.*.glass_thickness", PIECE, nw_piece, glass_m, LENGTH, "0 mm", "50 mm",
            "no glass in it", "thickness of a plane glass that stays in it"),
    GLASS("pieces.*.glass", PIECE, nw_piece, glass, "what that glass is"),
    INDEX("pieces.*.glass_index", PIECE, nw_piece, index),
    NEEDED("spacers.*.length", SPACER, nw_spacer, length_m, LENGTH, "0.01 mm", "500 mm",
           "thickness of the ring; its sigma is its tolerance"),
    {.path = "spacers.*.count",
     .object = NW_RIG_SPACER,
     .kind = NW_RIG_VALUE,
     .dim = NW_DIM_NUMBER,
     .min = "1",
     .max = "50",
     .fallback = "1",
     .spread = "0",
     .why = "one unless it is said",
     .flags = NW_RIG_WHOLE,
     .offset = offsetof(struct nw_spacer, count),
     .meaning = "how many of them you have"},

    /* ---- filters ---- */
    DERIVED("filters.*.thickness", FILTER, nw_filter, thickness_m, LENGTH, "0 mm", "20 mm",
            "not known: 2 mm +- 0.6 mm in the back-focus budget (common practice, no source)",
            "thickness of its glass"),
    GLASS("filters.*.glass", FILTER, nw_filter, glass, "what it is made of"),
    INDEX("filters.*.glass_index", FILTER, nw_filter, index),
    DERIVED("filters.*.focus_offset", FILTER, nw_filter, focus_offset_m, LENGTH, "-20 mm", "20 mm",
            "not known; `focus` measures it",
            "best focus against that of the first filter, in travel of the focuser, outwards +"),

    /* ---- cameras ---- */
    DERIVED("cameras.*.flange", CAMERA, nw_camera, flange_m, LENGTH, "0 mm", "500 mm",
            "not known: there is no back-focus budget then",
            "from the camera's mounting face to the sensor, mechanically"),
    DERIVED("cameras.*.window_thickness", CAMERA, nw_camera, window_m, LENGTH, "0 mm", "20 mm",
            "not known: 1.5 mm +- 0.7 mm in the back-focus budget (common practice, no source)",
            "thickness of all plane glass in front of the sensor, its cover included"),
    GLASS("cameras.*.window_glass", CAMERA, nw_camera, window_glass, "what the window is made of"),
    INDEX("cameras.*.window_index", CAMERA, nw_camera, window_index),

    /* ---- focusers ---- */
    DERIVED("focusers.*.temperature_coefficient", FOCUSER, nw_focuser, travel_per_K,
            LENGTH_PER_TEMPERATURE, "-5 mm/K", "5 mm/K",
            "length and expansion of the tube; `focus` measures it",
            "travel that keeps the focus when it gets 1 K warmer, outwards +"),
    DERIVED("focusers.*.thermal_lag", FOCUSER, nw_focuser, thermal_lag_s, TIME, "0 s", "12 h",
            "not known; `focus` measures it",
            "time by which the telescope's focus follows the temperature sensor"),
    DERIVED("focusers.*.backlash", FOCUSER, nw_focuser, backlash_m, LENGTH, "0 um", "5 mm",
            "not known; `focus` measures it where runs end from both sides",
            "travel lost when the motor turns back"),

    /* ---- setups ---- */
    {.path = "setups.*.path",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_PARTS,
     .words = "pieces",
     .offset = OBJ_STAGED(path),
     .meaning = "list of the pieces between corrector and camera that stay there"},
    {.path = "setups.*.rings",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_PARTS,
     .words = "spacers",
     .offset = OBJ_STAGED(rings),
     .meaning = "list of the rings that are in the path now; one that is in twice is named twice"},
};
KEYS_OF(path, ROWS);
