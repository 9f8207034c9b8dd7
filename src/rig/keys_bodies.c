/* keys_bodies.c - keys of the rig file: bodies, for balance and clearance. */
#include "rig/keys_row.h"

#define PLACE(p, m, sig, text)                                                                     \
    {                                                                                              \
        .path = "bodies.*." p, .object = NW_RIG_BODY, .kind = NW_RIG_VALUE, .dim = NW_DIM_LENGTH,  \
        .min = "-100 m", .max = "100 m", .fallback = "0 mm", .spread = (sig),                      \
        .why = "in line with the axes unless it is said", .offset = offsetof(struct nw_body, m),   \
        .meaning = (text)                                                                          \
    }
#define SIZE(p, m, text)                                                                           \
    DERIVED("bodies.*." p, BODY, nw_body, m, LENGTH, "0.1 mm", "100 m",                            \
            "not known; needed by the shapes that have it", text)

static const struct nw_rig_key ROWS[] = {
    WORD("bodies.*.rides", BODY, nw_body, rides_word, "tube|axis|ground", NULL, NW_RIG_REQUIRED,
         "what it moves with: tube (turns about both axes), axis (about the polar axis alone), "
         "ground"),
    WORD("bodies.*.shape", BODY, nw_body, shape_word, "point|cylinder|tube|box", "point", 0,
         "its outline; a tube is a cylinder with its mass in the wall; a point has mass only"),
    WORD("bodies.*.along", BODY, nw_body, along_word, "x|y|z", "x", 0,
         "the axis of a cylinder or tube"),
    DERIVED("bodies.*.mass", BODY, nw_body, mass_kg, MASS, "0 kg", "2000 kg",
            "not known: it then takes no part in the balance", "mass of the whole body"),
    PLACE("x", at_m[0], "0 mm", "place of its middle along x"),
    PLACE("y", at_m[1], "0 mm", "place of its middle along y"),
    PLACE("z", at_m[2], "0 mm", "place of its middle along z; negative on the counterweight side"),
    SIZE("length", length_m, "cylinder and tube: its length; box: its size along x"),
    SIZE("diameter", diameter_m, "cylinder and tube: outer diameter"),
    SIZE("width", width_m, "box: its size along y"),
    SIZE("height", height_m, "box: its size along z"),
    WORD("bodies.*.slide.along", BODY, nw_body, slide_word, "x|y|z", "", 0,
         "the direction in which you can shift it to balance"),
    DERIVED("bodies.*.slide.from", BODY, nw_body, slide_from_m, LENGTH, "-100 m", "100 m",
            "needed where slide.along is given", "least place of its middle along that direction"),
    DERIVED("bodies.*.slide.to", BODY, nw_body, slide_to_m, LENGTH, "-100 m", "100 m",
            "needed where slide.along is given", "greatest place of its middle"),
    WORD(
        "bodies.*.roof", BODY, nw_body, roof_word, "always|open|closed", "always", 0,
        "when it is there: always, or only while the roof is open, or closed (the closed roof, and "
        "what it passes on its way)"),
    DERIVED("bodies.*.shield", BODY, nw_body, shield_m, LENGTH, "0 mm", "5 m",
            "not known: the Sun then counts as entering from anywhere in front",
            "of a telescope's tube: how far its front lens or mirror lies behind the front edge"),
    WORD("bodies.*.carried_by", BODY, nw_body, carried_by, NULL, "", 0,
         "the body that it is fixed to: it goes along when that one is shifted"),
    WORD("bodies.*.hinge.along", BODY, nw_body, hinge_word, "x|y|z", "", 0,
         "it opens (a light panel): direction of the hinge; its place is described closed"),
    PLACE("hinge.x", hinge_at_m[0], "0 mm", "place of the hinge along x"),
    PLACE("hinge.y", hinge_at_m[1], "0 mm", "place of the hinge along y"),
    PLACE("hinge.z", hinge_at_m[2], "0 mm", "place of the hinge along z"),
    DERIVED("bodies.*.hinge.open", BODY, nw_body, hinge_open_rad, ANGLE, "-360 deg", "360 deg",
            "needed where hinge.along is given", "turn from closed to open, right-handed"),
};
KEYS_OF(bodies, ROWS);
