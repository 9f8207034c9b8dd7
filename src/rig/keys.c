/* keys.c - every key of a rig file: path, what it holds, range, default, meaning.
 * Idea: the keys_*.c tables joined here are the only place where a key is described; the reader,
 * the checks, `rig --keys` and docs/rig-keys.md are made from them. */
#include "rig/rig_internal.h"

/* In the order of docs/rig-keys.md. */
static const struct nw_rig_keys *const TABLES[] = {
    &nw_rig_keys_site,   &nw_rig_keys_parts,    &nw_rig_keys_path,   &nw_rig_keys_bodies,
    &nw_rig_keys_places, &nw_rig_keys_circuits, &nw_rig_keys_setups, &nw_rig_keys_screws,
    &nw_rig_keys_damp,   &nw_rig_keys_logs};

const struct nw_rig_object_info nw_rig_objects[NW_RIG_N_OBJECTS] = {
    [NW_RIG_TOP] = {"", "Top of the file", "What the file is."},
    [NW_RIG_SITE] = {"site.", "Site", "Where the observatory stands, and the air above it."},
    [NW_RIG_MOUNT] = {"mount.", "Mount", "What carries the telescopes. All setups share it."},
    [NW_RIG_TELESCOPE] = {"telescopes.*.", "Telescopes", "By name: 'telescopes: {main: {...}}'."},
    [NW_RIG_CORRECTOR] = {"correctors.*.", "Correctors", "Reducers and flatteners, by name."},
    [NW_RIG_FOCUSER] = {"focusers.*.", "Focusers", "By name."},
    [NW_RIG_FILTER] = {"filters.*.", "Filters", "By name."},
    [NW_RIG_CAMERA] = {"cameras.*.", "Cameras", "By name; imaging and guide cameras alike."},
    [NW_RIG_CAMERA_SETTING] = {"cameras.*.settings.*.", "Gain settings",
                               "What a camera is at each of its gain settings, by name ('gain "
                               "100'): the light budget chooses among them. 'sensor' measures "
                               "them."},
    [NW_RIG_PIECE] = {"pieces.*.", "Pieces",
                      "What stays between corrector and camera (adapter, rotator, filter wheel), "
                      "by name."},
    [NW_RIG_SPACER] = {"spacers.*.", "Spacers",
                       "The rings you have for the path, by name, those in use included."},
    [NW_RIG_BODY] =
        {"bodies.*.", "Bodies",
         "All that has mass or volume on and around the mount, by name. Places are from "
         "the point where the two axes meet. Frame tube: x along the optical axes to "
         "the sky, z along the declination axis out to the saddle, y = z x x. Frame "
         "axis: z as before, x along the polar axis to the pole above the horizon. "
         "Frame ground: x east, y north, z up."},
    [NW_RIG_POSITION] = {"positions.*.", "Positions",
                         "Attitudes with a name, such as that for flats; the parked one is "
                         "mount.park. Hour angle with declination, or altitude with azimuth."},
    [NW_RIG_CABLE] = {"cables.*.", "Cables",
                      "What hangs between two points on different frames, by name: is it long "
                      "enough at every attitude? Frames as of bodies."},
    [NW_RIG_CIRCUIT] =
        {"circuits.*.", "Circuits",
         "What is wired to what, from mains or a battery to the loads, by name. Every circuit "
         "hangs on the one that feeds it by a wire of its own."},
    [NW_RIG_USAGE] = {"usage.", "Usage", "How much the rig is used."},
    [NW_RIG_STORE] = {"storage.", "Storage", "Where the frames go."},
    [NW_RIG_SETUP] = {"setups.*.", "Setups",
                      "Ways of using the parts, by name; the first one is the default."},
    [NW_RIG_SCREW] = {"setups.*.screws.*.", "Screws",
                      "Three or four screws or places for shims that tilt the camera, by name. A "
                      "shim or a positive turn moves its side of the camera away from the "
                      "telescope."},
    [NW_RIG_CHANGE] = {"setups.*.changes.*.", "Changes",
                       "A list: what the owner could change. Items are numbered from 1 in paths."},
    [NW_RIG_DAMP] = {"damp.", "Damp", "What is wanted of dew and cooling, and the usual night."},
    [NW_RIG_SURFACE] = {"surfaces.*.", "Surfaces",
                        "What cools under the sky and collects dew (front lens, tube, guide lens), "
                        "by name."},
    [NW_RIG_COVER] = {"cover.", "Cover", "What is pulled over the parked telescope."},
    [NW_RIG_ROOM] = {"room.", "Room", "The shed or dome with its roof closed, and open."},
    [NW_RIG_DRYER] = {"dryer.", "Dryer", "What takes water out of the room."},
    [NW_RIG_LOG] = {"logs.*.", "Logs",
                    "How the text logs of other programs are laid out, by name of your choice "
                    "(docs/formats.md)."},
};

const struct nw_rig_key *nw_rig_key_row(size_t i) {
    for (size_t t = 0; t < sizeof TABLES / sizeof TABLES[0]; t++) {
        if (i < TABLES[t]->n) {
            return &TABLES[t]->rows[i];
        }
        i -= TABLES[t]->n;
    }
    return NULL;
}

size_t nw_rig_n_keys(void) {
    size_t n = 0;
    for (size_t t = 0; t < sizeof TABLES / sizeof TABLES[0]; t++) {
        n += TABLES[t]->n;
    }
    return n;
}

const struct nw_rig_key *nw_rig_key_of(const char *path) {
    const struct nw_rig_key *key = NULL;
    for (size_t i = 0; (key = nw_rig_key_row(i)) != NULL; i++) {
        if (strcmp(key->path, path) == 0) {
            break;
        }
    }
    return key;
}

void nw_rig_key_range(const struct nw_rig_key *key, char *text, size_t size) {
    if (key->min && key->max) {
        (void)snprintf(text, size, "%s to %s", key->min, key->max);
    } else {
        nw_text_copy(text, size, "");
    }
}

bool nw_rig_key_allows(const struct nw_rig_key *key, double v_si) {
    double min = 0.0;
    double max = 0.0;
    if (nw_quantity_read(key->min, key->dim, &min, NULL) != NW_OK ||
        nw_quantity_read(key->max, key->dim, &max, NULL) != NW_OK) {
        return false;
    }
    /* The limits are inclusive; a value written like the limit must not fall to rounding. */
    const double slack = 1e-12 * (max - min);
    return v_si >= min - slack && v_si <= max + slack;
}
