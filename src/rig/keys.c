/* keys.c - every key of a rig file: path, what it holds, range, default, meaning.
 * Idea: this table is the only place where a key is described; the reader, the checks, `rig --keys`
 * and docs/rig-keys.md are made from it. Ranges and defaults are texts with units, as an owner
 * would write them; a test reads every one of them back. Defaults: "common practice, no source" is
 * what the trade expects of an ordinary site or part; its standard error is wide enough to hold
 * most of them. "from memory" names a source that was not at hand when the number was written down.
 */
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

const struct nw_rig_object_info nw_rig_objects[NW_RIG_N_OBJECTS] = {
    [NW_RIG_TOP] = {"", "Top of the file", "What the file is."},
    [NW_RIG_SITE] = {"site.", "Site", "Where the observatory stands, and the air above it."},
    [NW_RIG_MOUNT] = {"mount.", "Mount", "What carries the telescopes. All setups share it."},
    [NW_RIG_TELESCOPE] = {"telescopes.*.", "Telescopes", "By name: 'telescopes: {main: {...}}'."},
    [NW_RIG_CORRECTOR] = {"correctors.*.", "Correctors", "Reducers and flatteners, by name."},
    [NW_RIG_FOCUSER] = {"focusers.*.", "Focusers", "By name."},
    [NW_RIG_FILTER] = {"filters.*.", "Filters", "By name."},
    [NW_RIG_CAMERA] = {"cameras.*.", "Cameras", "By name; imaging and guide cameras alike."},
    [NW_RIG_SETUP] = {"setups.*.", "Setups",
                      "Ways of using the parts, by name; the first one is the default."},
    [NW_RIG_CHANGE] = {"setups.*.changes.*.", "Changes",
                       "A list: what the owner could change. Items are numbered from 1 in paths."},
};

const struct nw_rig_key nw_rig_key_table[] = {
    {.path = "nightwright",
     .object = NW_RIG_TOP,
     .kind = NW_RIG_WORD,
     .words = "1",
     .flags = NW_RIG_REQUIRED,
     .size = 0,
     .meaning = "version of this form of description"},
    WORD("name", TOP, nw_rig, name, NULL, "observatory", 0, "name of the observatory, for titles"),

    /* ---- site ---- */
    WORD("site.name", SITE, nw_site, name, NULL, "", 0, "name of the place"),
    NEEDED("site.latitude", SITE, nw_site, latitude_rad, ANGLE, "-90 deg", "90 deg",
           "geographic latitude, north positive"),
    NEEDED("site.longitude", SITE, nw_site, longitude_rad, ANGLE, "-180 deg", "360 deg",
           "geographic longitude, east positive"),
    ASSUMED("site.elevation", SITE, nw_site, elevation_m, LENGTH, "-450 m", "6000 m", "200 m",
            "300 m",
            "half of mankind lives below 194 m (Cohen & Small 1998, PNAS 95, 14009; from memory)",
            "height above sea level"),
    ASSUMED("site.seeing", SITE, nw_site, seeing_rad, ANGLE, "0.2 arcsec", "20 arcsec",
            "2.0 arcsec", "0.6 arcsec", PRACTICE,
            "typical FWHM from the air above at the zenith, 500 nm, long exposure; "
            "local air not included"),
    ASSUMED("site.outer_scale", SITE, nw_site, outer_scale_m, LENGTH, "1 m", "1000 m", "25 m",
            "10 m", "usual value in Tokovinin 2002, PASP 114, 1156",
            "outer scale of the turbulence"),
    ASSUMED("site.local_air", SITE, nw_site, local_air_rad, ANGLE, "0 arcsec", "20 arcsec",
            "0.5 arcsec", "0.4 arcsec", PRACTICE,
            "FWHM from tube, lens, roof and walls that are warmer or colder than the air"),
    ASSUMED("site.wind_speed", SITE, nw_site, wind_speed_m_s, SPEED, "0.5 m/s", "100 m/s", "10 m/s",
            "5 m/s", PRACTICE, "speed of the turbulent layers: how fast image motion averages out"),
    ASSUMED("site.sky_brightness", SITE, nw_site, sky_brightness_mag_arcsec2, SURFACE_BRIGHTNESS,
            "14 mag/arcsec2", "22.5 mag/arcsec2", "20.5 mag/arcsec2", "1.0 mag/arcsec2", PRACTICE,
            "brightness of the moonless sky at the zenith, V band"),
    ASSUMED("site.extinction", SITE, nw_site, extinction_mag, MAGNITUDE, "0.05 mag", "2 mag",
            "0.25 mag", "0.10 mag", PRACTICE, "loss of light per airmass, V band"),
    ASSUMED("site.temperature", SITE, nw_site, temperature_K, TEMPERATURE, "-60 degC", "50 degC",
            "10 degC", "8 K", PRACTICE, "air temperature in a usual night"),
    ASSUMED("site.temperature_rate", SITE, nw_site, temperature_rate_K_s, TEMPERATURE_RATE,
            "-20 K/h", "20 K/h", "-1.0 K/h", "0.6 K/h", PRACTICE,
            "how fast the air (and with it the tube) cools in the night"),
    DERIVED("site.pressure", SITE, nw_site, pressure_Pa, PRESSURE, "400 hPa", "1100 hPa",
            "standard atmosphere at the site's elevation (ISO 2533:1975), +- 10 hPa",
            "air pressure at the site, not reduced to sea level"),
    ASSUMED("site.humidity", SITE, nw_site, relative_humidity, NUMBER, "0", "1", "0.7", "0.2",
            PRACTICE, "relative humidity, as a share: 0.7 is 70 %"),

    /* ---- mount ---- */
    WORD("mount.name", MOUNT, nw_mount, name, NULL, "", 0, "what it is, for people"),
    ASSUMED("mount.motion_ra", MOUNT, nw_mount, motion_ra_rad, ANGLE, "0 arcsec", "60 arcsec",
            "0.6 arcsec", "0.3 arcsec", PRACTICE,
            "rms motion on the sky in right ascension within one sub, guided, where no guide log "
            "says"),
    ASSUMED("mount.motion_dec", MOUNT, nw_mount, motion_dec_rad, ANGLE, "0 arcsec", "60 arcsec",
            "0.45 arcsec", "0.25 arcsec", PRACTICE, "the same in declination"),
    ASSUMED("mount.flexure", MOUNT, nw_mount, flexure_rad_s, ANGULAR_RATE, "0 arcsec/h",
            "3600 arcsec/h", "3 arcsec/h", "3 arcsec/h", PRACTICE,
            "drift of the main camera against the guide star, on the sky"),
    ASSUMED("mount.polar_error", MOUNT, nw_mount, polar_error_rad, ANGLE, "0 arcmin", "5 deg",
            "3 arcmin", "2 arcmin", PRACTICE, "distance of the polar axis from the true pole"),
    ASSUMED("mount.worm_period", MOUNT, nw_mount, worm_period_s, TIME, "10 s", "7200 s", "480 s",
            "200 s", PRACTICE, "one turn of the worm in right ascension"),
    ASSUMED("mount.guide_rate", MOUNT, nw_mount, guide_rate, NUMBER, "0.05", "2", "0.5", "0.2",
            PRACTICE, "speed of guide corrections as a fraction of the sidereal rate"),

    /* ---- telescopes ---- */
    NEEDED("telescopes.*.aperture", TELESCOPE, nw_telescope, aperture_m, LENGTH, "10 mm", "3 m",
           "clear diameter of the front lens or main mirror"),
    NEEDED("telescopes.*.focal_length", TELESCOPE, nw_telescope, focal_length_m, LENGTH, "20 mm",
           "30 m", "focal length without corrector"),
    ASSUMED("telescopes.*.obstruction", TELESCOPE, nw_telescope, obstruction, NUMBER, "0", "0.7",
            "0", "0", "a refractor has none",
            "diameter of the central obstruction over the aperture; 0 for a refractor"),
    DERIVED("telescopes.*.tube_length", TELESCOPE, nw_telescope, tube_length_m, LENGTH, "10 mm",
            "30 m", "0.9 of the focal length, +- 0.1 of it: right for a refractor, long for others",
            "length of tube between objective or main mirror and focuser that shrinks in the cold"),
    ASSUMED("telescopes.*.expansion", TELESCOPE, nw_telescope, expansion_per_K, EXPANSION,
            "0 um/m/K", "100 um/m/K", "23.6 um/m/K", "1 um/m/K",
            "aluminium alloy of common tubes (handbook value, from memory)",
            "thermal expansion of the tube"),
    ASSUMED("telescopes.*.colour_spread", TELESCOPE, nw_telescope, colour_spread_m, LENGTH, "0 um",
            "10 mm", "20 um", "20 um", PRACTICE,
            "longitudinal colour: rms spread of best focus over 400-700 nm, at the telescope's "
            "own focus; 0 for mirrors"),
    ASSUMED("telescopes.*.transmission", TELESCOPE, nw_telescope, transmission, NUMBER, "0.01", "1",
            "0.9", "0.05", PRACTICE, "share of the light that all glass and mirrors let through"),

    /* ---- correctors ---- */
    NEEDED("correctors.*.magnification", CORRECTOR, nw_corrector, magnification, NUMBER, "0.2", "5",
           "0.8 for a 0.8x reducer, 1 for a flattener"),

    /* ---- focusers ---- */
    ASSUMED("focusers.*.step", FOCUSER, nw_focuser, step_m, LENGTH, "1 nm", "1 mm", "4 um", "3 um",
            PRACTICE, "travel of one motor step"),
    {.path = "focusers.*.carries",
     .object = NW_RIG_FOCUSER,
     .kind = NW_RIG_CARRY,
     .words = "camera|corrector+camera",
     .fallback = "corrector+camera",
     .why = "a corrector is usually screwed to the camera",
     .offset = offsetof(struct nw_focuser, carries),
     .meaning = "what moves with the focuser: with the corrector on it, travel counts m^2 times at "
                "the sensor (m: magnification)"},
    ASSUMED("focusers.*.repeatability", FOCUSER, nw_focuser, repeatability_m, LENGTH, "0 um",
            "1 mm", "15 um", "10 um", PRACTICE,
            "rms error of one focus run, in travel of the focuser"),
    ASSUMED("focusers.*.compensation", FOCUSER, nw_focuser, compensation, NUMBER, "0", "1", "0",
            "0.1", "no temperature compensation unless it is said",
            "share of the thermal drift that is compensated between focus runs"),

    /* ---- filters ---- */
    NEEDED("filters.*.centre", FILTER, nw_filter, centre_m, LENGTH, "300 nm", "2.5 um",
           "middle of the passband"),
    NEEDED("filters.*.width", FILTER, nw_filter, width_m, LENGTH, "0.1 nm", "1000 nm",
           "full width of the passband at half its height"),
    ASSUMED("filters.*.transmission", FILTER, nw_filter, transmission, NUMBER, "0.001", "1", "0.92",
            "0.04", PRACTICE, "share of the light let through in the passband"),

    /* ---- cameras ---- */
    NEEDED("cameras.*.pixel", CAMERA, nw_camera, pixel_m, LENGTH, "0.5 um", "100 um",
           "side of one pixel, not binned"),
    COUNT("cameras.*.width", width_px, "16", "100000", "pixels in a row, not binned"),
    COUNT("cameras.*.height", height_px, "16", "100000", "rows, not binned"),
    {.path = "cameras.*.pattern",
     .object = NW_RIG_CAMERA,
     .kind = NW_RIG_WORD,
     .words = "mono|RGGB|BGGR|GRBG|GBRG",
     .fallback = "mono",
     .why = "no colour filters unless it is said",
     .offset = offsetof(struct nw_camera, pattern),
     .size = SIZE_OF(nw_camera, pattern),
     .meaning = "colour filters over the pixels, from the first pixel of the file; mono: none"},
    ASSUMED("cameras.*.gain", CAMERA, nw_camera, gain_e_per_adu, ELECTRONS_PER_ADU, "0.001 e/adu",
            "1000 e/adu", "0.8 e/adu", "0.5 e/adu", PRACTICE,
            "electrons per count at the setting in use (not the camera's own gain number)"),
    ASSUMED("cameras.*.read_noise", CAMERA, nw_camera, read_noise_e, ELECTRONS, "0 e", "1000 e",
            "2.5 e", "1.5 e", PRACTICE, "rms read noise of one pixel"),
    DERIVED("cameras.*.full_scale", CAMERA, nw_camera, full_scale_e, ELECTRONS, "10 e",
            "10000000 e", "gain times the counts left above the offset, +- 20 %",
            "electrons at which a pixel is full or the counts end, whichever comes first"),
    ASSUMED("cameras.*.offset", CAMERA, nw_camera, offset_adu, ADU, "0 adu", "60000 adu", "500 adu",
            "400 adu", PRACTICE, "mean level of a frame without light and time"),
    ASSUMED("cameras.*.dark_current", CAMERA, nw_camera, dark_e_per_s, ELECTRONS_PER_TIME, "0 e/s",
            "1000 e/s", "0.005 e/s", "0.01 e/s", "common practice for cooled cameras, no source",
            "dark current of one pixel at the temperature in use"),
    ASSUMED("cameras.*.quantum_efficiency", CAMERA, nw_camera, quantum_efficiency, NUMBER, "0.01",
            "1", "0.75", "0.1", PRACTICE, "electrons per photon in the passband"),
    {.path = "cameras.*.bits",
     .object = NW_RIG_CAMERA,
     .kind = NW_RIG_VALUE,
     .dim = NW_DIM_NUMBER,
     .min = "8",
     .max = "32",
     .fallback = "16",
     .spread = "0",
     .why = "files of most cameras are scaled to 16 bits",
     .flags = NW_RIG_WHOLE,
     .offset = offsetof(struct nw_camera, bits),
     .meaning = "bits of one value in the file"},

    /* ---- setups ---- */
    PART("setups.*.telescope", telescope, "telescopes", NW_RIG_REQUIRED, "the main telescope"),
    PART("setups.*.corrector", corrector, "correctors", 0,
         "the corrector in it; left out or 'none': there is none"),
    PART("setups.*.focuser", focuser, "focusers", 0,
         "the focuser; left out: one of ordinary quality is assumed"),
    {.path = "setups.*.filters",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_PARTS,
     .words = "filters",
     .offset = OBJ_STAGED(filters),
     .meaning = "list of the filters that are used"},
    PART("setups.*.filter", filter, "filters", 0,
         "the filter in which the star width is judged; left out: the first of 'filters'"),
    PART("setups.*.camera", camera, "cameras", NW_RIG_REQUIRED, "the main camera"),
    DERIVED("setups.*.focal_length", SETUP, nw_rig_staged, setup.focal_length_m, LENGTH, "10 mm",
            "60 m",
            "telescope times corrector; makers' focal lengths are good to 1 % (common practice, no "
            "source)",
            "effective focal length, where it was measured: wins over telescope and corrector"),
    PART("setups.*.guided_by.telescope", guide_telescope, "telescopes", 0,
         "the telescope that guides"),
    PART("setups.*.guided_by.camera", guide_camera, "cameras", 0, "the camera that guides"),
    {.path = "setups.*.guided_by.exposure",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_VALUE,
     .dim = NW_DIM_TIME,
     .min = "0.01 s",
     .max = "120 s",
     .fallback = "2 s",
     .spread = "1 s",
     .why = PRACTICE,
     .flags = NW_RIG_IN_SECTION,
     .offset = OBJ_SETUP(guide_exposure_s),
     .meaning = "exposure of one guide frame; unknown when nothing guides"},
    {.path = "setups.*.binning",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_VALUE,
     .dim = NW_DIM_NUMBER,
     .min = "1",
     .max = "8",
     .fallback = "1",
     .spread = "0",
     .why = "not binned unless it is said",
     .flags = NW_RIG_WHOLE,
     .offset = OBJ_SETUP(binning),
     .meaning = "pixels joined in each direction"},
    HABIT("camera_angle", camera_angle_rad, ANGLE, "-360 deg", "360 deg", "0 deg", "104 deg",
          "any angle is as likely as any other",
          "position angle of the frame's +y axis, north through east"),
    HABIT("habits.sub_length", sub_length_s, TIME, "0.001 s", "7200 s", "180 s", "90 s", PRACTICE,
          "exposure of one sub"),
    HABIT("habits.focus_interval", focus_interval_s, TIME, "1 min", "24 h", "60 min", "30 min",
          PRACTICE, "time between two focus runs"),
    HABIT("habits.airmass", airmass, NUMBER, "1", "10", "1.3", "0.2", PRACTICE,
          "typical airmass, for predictions without frames"),
    {.path = "setups.*.habits.resampling",
     .object = NW_RIG_SETUP,
     .kind = NW_RIG_WORD,
     .words = "none|bilinear|lanczos3",
     .fallback = "none",
     .why = "frames as they came from the camera unless it is said",
     .offset = OBJ_SETUP(resampling),
     .size = SIZE_OF(nw_rig_staged, setup.resampling),
     .meaning = "what was done to the frames before they are measured"},
    HABIT("field.tilt", tilt_m, LENGTH, "0 um", "2 mm", "20 um", "15 um", PRACTICE,
          "best focus from corner to corner along the tilt, at the sensor"),
    HABIT("field.tilt_direction", tilt_direction_rad, ANGLE, "-360 deg", "360 deg", "0 deg",
          "104 deg", "any direction is as likely as any other",
          "direction in which best focus lies farther from the telescope, from +x towards +y"),
    HABIT("field.curvature", curvature_m, LENGTH, "-2 mm", "2 mm", "20 um", "20 um", PRACTICE,
          "best focus from centre to corner, at the sensor"),
    HABIT("field.astigmatism", astigmatism_m, LENGTH, "-2 mm", "2 mm", "20 um", "20 um", PRACTICE,
          "difference of the two line foci at the corner, at the sensor"),
    HABIT("field.decentre_coma", decentre_coma_rad, ANGLE, "0 arcsec", "20 arcsec", "0.3 arcsec",
          "0.3 arcsec", PRACTICE, "blur of constant coma from parts that are not centred, as FWHM"),

    /* ---- allocations: what the owner allows each line of the star-width budget ---- */
    WIDTH("total", "allowed FWHM as delivered, all together"),
    WIDTH("air_above", "allowed FWHM of the air above"),
    WIDTH("local_air", "allowed FWHM of local air"),
    WIDTH("diffraction", "allowed FWHM of diffraction"),
    WIDTH("lens_colour", "allowed FWHM of longitudinal colour"),
    WIDTH("decentre", "allowed FWHM of decentre coma"),
    WIDTH("focus", "allowed FWHM of focus errors"),
    WIDTH("tilt_curvature", "allowed FWHM of tilt, curvature and astigmatism"),
    WIDTH("motion", "allowed FWHM of motion within a sub"),
    WIDTH("flexure", "allowed FWHM of flexure"),
    WIDTH("field_rotation", "allowed FWHM of field rotation"),
    WIDTH("dispersion", "allowed FWHM of atmospheric dispersion"),
    WIDTH("pixel", "allowed FWHM of the pixel"),
    WIDTH("colour_filter", "allowed FWHM of colour-filter sampling"),
    WIDTH("resampling", "allowed FWHM of resampling"),

    /* ---- changes ---- */
    WORD("setups.*.changes.*.name", CHANGE, nw_change, name, NULL, NULL, NW_RIG_REQUIRED,
         "the change in a few words"),
    WORD("setups.*.changes.*.effort", CHANGE, nw_change, effort, "setting|adjustment|purchase",
         NULL, NW_RIG_REQUIRED, "what it takes"),
    {.path = "setups.*.changes.*.set",
     .object = NW_RIG_CHANGE,
     .kind = NW_RIG_SETTINGS,
     .flags = NW_RIG_REQUIRED,
     .meaning = "what would be different: path: value, as --set takes them"},
};
const size_t nw_rig_n_keys = sizeof nw_rig_key_table / sizeof nw_rig_key_table[0];

const struct nw_rig_key *nw_rig_key_of(const char *path) {
    for (size_t i = 0; i < nw_rig_n_keys; i++) {
        if (strcmp(nw_rig_key_table[i].path, path) == 0) {
            return &nw_rig_key_table[i];
        }
    }
    return NULL;
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
