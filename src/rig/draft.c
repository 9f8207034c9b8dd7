/* draft.c - a starter rig file from what frames say.
 * Idea: the draft is a file that works at once. What a frame says is marked `from: header`; what no
 * frame says but a prediction needs is a guess marked `from: assumed` and REPLACE; the rest stands
 * as a comment that shows how to write it.
 * Holds: nw_rig_read reads every draft, whatever the headers held: names are reduced to printable
 * ASCII, numbers out of the range of their key count as not said. */
#include "rig/rig_internal.h"

#include <math.h>

/* Passbands by the names that filters usually have (common practice, no source; the three emission
 * lines: laboratory wavelengths, from memory). */
static const struct {
    const char *names; /* between bars, lower case */
    double centre_nm, width_nm;
} PASSBANDS[] = {
    {"|l|lum|luminance|clear|uv/ir cut|ircut|", 550.0, 300.0},
    {"|r|red|", 640.0, 100.0},
    {"|g|green|", 530.0, 90.0},
    {"|b|blue|", 450.0, 100.0},
    {"|v|", 551.0, 88.0},
    {"|h|ha|h-alpha|h_alpha|halpha|hydrogen-alpha|", 656.3, 5.0},
    {"|o|o3|oiii|o-iii|oxygen-iii|", 500.7, 5.0},
    {"|s|s2|sii|s-ii|sulphur-ii|sulfur-ii|", 672.4, 5.0},
};

/* Writes a name that YAML, paths and messages can bear; never empty. */
static void clean_name(const char *from, const char *instead, char to[NW_NAME_SIZE]) {
    size_t n = 0;
    for (const unsigned char *c = (const unsigned char *)from; *c && n + 1 < NW_NAME_SIZE; c++) {
        const bool is_fine = *c >= 0x20 && *c < 0x7f && !strchr("\"\\=", *c);
        if (n > 0 || *c != ' ') {
            to[n++] = is_fine ? (char)*c : '-';
        }
    }
    while (n > 0 && to[n - 1] == ' ') {
        n--;
    }
    to[n] = '\0';
    if (n == 0 || nw_text_equal_nocase(to, "none")) {
        nw_text_copy(to, NW_NAME_SIZE, instead);
    }
}

/* "    key: {value: 3.76 um, from: header}" when the value is one that the key allows. */
static bool put(struct nw_buf *buf, const char *pattern, double v_si, const char *unit,
                const char *more) {
    const struct nw_rig_key *const key = nw_rig_key_of(pattern);
    char text[64];
    if (!isfinite(v_si) || !nw_rig_key_allows(key, v_si) ||
        nw_quantity_write(v_si, key->dim, unit, 8, text, sizeof text, NULL) != NW_OK) {
        return false;
    }
    const char *const name = strrchr(pattern, '.') + 1;
    const int indent = strncmp(pattern, "site.", 5) == 0     ? 2
                       : strstr(pattern, ".habits.") != NULL ? 6
                                                             : 4;
    nw_buf_printf(buf, "%*s%s: {value: %s, %sfrom: header}\n", indent, "", name, text, more);
    return true;
}

static void draft_site(struct nw_buf *buf, const struct nw_rig_facts *f) {
    nw_buf_printf(buf, "site:\n");
    if (!put(buf, "site.latitude", f->latitude_rad, "deg", "")) {
        nw_buf_printf(buf,
                      "  # REPLACE: no frame says where the site is. Altitudes and airmass are\n"
                      "  # wrong until this is yours (north and east are positive).\n"
                      "  latitude: {value: 45 deg, sigma: 30 deg, from: assumed}\n");
    }
    if (!put(buf, "site.longitude", f->longitude_rad, "deg", "")) {
        nw_buf_printf(buf, "  # REPLACE\n"
                           "  longitude: {value: 0 deg, sigma: 104 deg, from: assumed}\n");
    }
    (void)put(buf, "site.elevation", f->elevation_m, "m", "");
    nw_buf_printf(buf, "  # What the air does at your site; without these lines, usual values are\n"
                       "  # assumed. Take off the # to give your own.\n"
                       "  # seeing: {value: 2.0 arcsec, sigma: 0.6 arcsec}\n"
                       "  # sky_brightness: {value: 20.5 mag/arcsec2, sigma: 0.5 mag/arcsec2}\n\n"
                       "# mount:\n"
                       "#   name: german equatorial\n"
                       "#   motion_ra: {value: 0.6 arcsec, sigma: 0.3 arcsec} # rms within a sub\n"
                       "#   motion_dec: {value: 0.45 arcsec, sigma: 0.25 arcsec}\n\n");
}

static void draft_telescope(struct nw_buf *buf, const struct nw_rig_facts *f, const char *name) {
    nw_buf_printf(buf, "telescopes:\n  \"%s\":\n", name);
    double f_m = f->focal_length_m;
    if (put(buf, "telescopes.*.focal_length", f_m, "mm", "sigma: 2 %, ")) {
        nw_buf_printf(buf, "    # As typed into the capture program, with the reducer or without.\n"
                           "    # As it stands no corrector is counted twice: name one only when\n"
                           "    # this is the focal length without it.\n");
    } else {
        f_m = 0.5;
        nw_buf_printf(buf, "    # REPLACE: no frame says it.\n"
                           "    focal_length: {value: 500 mm, sigma: 50 %%, from: assumed}\n");
    }
    if (!put(buf, "telescopes.*.aperture", f->aperture_m, "mm", "")) {
        const double guess_m = fmin(fmax(f_m / 6.0, 0.012), 2.9);
        nw_buf_printf(buf,
                      "    # REPLACE: no frame says it; this is the focal length over 6.\n"
                      "    aperture: {value: %.4g mm, sigma: 30 %%, from: assumed}\n",
                      guess_m * 1e3);
    }
    nw_buf_printf(buf, "    # obstruction: 0 # diameter ratio; 0 for a refractor\n\n");
}

static size_t passband_of(const char *name) {
    const size_t n = sizeof PASSBANDS / sizeof PASSBANDS[0];
    char wanted[NW_NAME_SIZE + 2];
    (void)snprintf(wanted, sizeof wanted, "|%.47s|", name);
    for (char *c = wanted; *c; c++) {
        *c = (char)(*c >= 'A' && *c <= 'Z' ? *c - 'A' + 'a' : *c);
    }
    for (size_t i = 0; i < n; i++) {
        if (strstr(PASSBANDS[i].names, wanted)) {
            return i;
        }
    }
    return n;
}

bool nw_rig_passband_of_name(const char *name, double *ret_centre_m, double *ret_width_m) {
    const size_t p = passband_of(name);
    if (p == sizeof PASSBANDS / sizeof PASSBANDS[0]) {
        return false;
    }
    *ret_centre_m = PASSBANDS[p].centre_nm * 1e-9;
    *ret_width_m = PASSBANDS[p].width_nm * 1e-9;
    return true;
}

/* Names of the filters that can stand in the file, each once. */
static size_t clean_filters(const struct nw_rig_facts *f, char names[][NW_NAME_SIZE]) {
    size_t n = 0;
    for (size_t i = 0; i < f->n_filters && i < NW_RIG_MAX_FILTERS; i++) {
        char name[NW_NAME_SIZE];
        clean_name(f->filters[i], "", name);
        bool is_new = name[0] != '\0';
        for (size_t k = 0; k < n && is_new; k++) {
            is_new = strcmp(names[k], name) != 0;
        }
        if (is_new) {
            memcpy(names[n++], name, sizeof name);
        }
    }
    return n;
}

static void draft_filters(struct nw_buf *buf, char names[][NW_NAME_SIZE], size_t n) {
    if (n == 0) {
        nw_buf_printf(buf, "# filters: # no frame names one\n"
                           "#   luminance: {centre: 550 nm, width: 300 nm}\n\n");
        return;
    }
    nw_buf_printf(buf, "filters: # names from the headers; passbands guessed from the names\n");
    for (size_t i = 0; i < n; i++) {
        const size_t p = passband_of(names[i]);
        const bool is_known = p < sizeof PASSBANDS / sizeof PASSBANDS[0];
        nw_buf_printf(buf,
                      "%s  \"%s\":\n"
                      "    centre: {value: %.5g nm, sigma: %d nm, from: assumed}\n"
                      "    width: {value: %.4g nm, sigma: 30 %%, from: assumed}\n",
                      is_known ? "" : "  # REPLACE: the name says nothing of the passband.\n",
                      names[i], is_known ? PASSBANDS[p].centre_nm : 550.0,
                      is_known && PASSBANDS[p].width_nm < 20.0 ? 1 : 20,
                      is_known ? PASSBANDS[p].width_nm : 300.0);
    }
    nw_buf_printf(buf, "\n");
}

static void put_count(struct nw_buf *buf, const char *key, size_t n, double binning,
                      size_t instead) {
    const double whole = (double)n * binning;
    if (whole >= 16.0 && whole <= 100000.0) {
        nw_buf_printf(buf, "    %s: %.0f\n", key, whole);
    } else {
        nw_buf_printf(buf, "    %s: %zu # REPLACE: no frame says it\n", key, instead);
    }
}

static void draft_gain(struct nw_buf *buf, const struct nw_rig_facts *f) {
    if (!put(buf, "cameras.*.gain", f->gain_e_per_adu, "e/adu", "")) {
        nw_buf_printf(buf, "    # Electrons per count, from the maker's chart");
        if (isfinite(f->gain_setting)) {
            nw_buf_printf(buf, " at the camera's gain setting %.6g", f->gain_setting);
        }
        nw_buf_printf(buf, ":\n    # gain: 0.8 e/adu\n");
    }
    if (!put(buf, "cameras.*.read_noise", f->read_noise_e, "e", "")) {
        nw_buf_printf(buf, "    # read_noise: 2.5 e\n");
    }
    if (isfinite(f->offset_setting)) {
        nw_buf_printf(buf,
                      "    # The headers give an offset setting of %.6g; in counts it is the mean\n"
                      "    # of a bias frame:\n    # offset: 500 adu\n",
                      f->offset_setting);
    }
    if (isfinite(f->set_temperature_K)) {
        nw_buf_printf(buf,
                      "    # Dark current at the set point of %.4g degC:\n"
                      "    # dark_current: 0.005 e/s\n",
                      f->set_temperature_K - NW_ZERO_CELSIUS_K);
    }
    nw_buf_printf(buf, "\n");
}

static void draft_camera(struct nw_buf *buf, const struct nw_rig_facts *f, const char *name,
                         double binning) {
    nw_buf_printf(buf, "cameras:\n  \"%s\":\n", name);
    if (binning > 1.0) {
        nw_buf_printf(buf, "    # The header's pixel is taken as binned %.0f times, as is usual.\n",
                      binning);
    }
    if (!put(buf, "cameras.*.pixel", f->pixel_m / binning, "um", "")) {
        nw_buf_printf(buf, "    # REPLACE: no frame says it.\n"
                           "    pixel: {value: 3.76 um, sigma: 50 %%, from: assumed}\n");
    }
    put_count(buf, "width", f->width_px, binning, 6248);
    put_count(buf, "height", f->height_px, binning, 4176);
    static const char *const PATTERNS[] = {"RGGB", "BGGR", "GRBG", "GBRG"};
    for (size_t i = 0; i < sizeof PATTERNS / sizeof PATTERNS[0]; i++) {
        if (strcmp(f->pattern, PATTERNS[i]) == 0) {
            nw_buf_printf(buf, "    pattern: %s # from the headers\n", f->pattern);
        }
    }
    draft_gain(buf, f);
}

static void draft_setup(struct nw_buf *buf, const struct nw_rig_facts *f, const char *telescope,
                        const char *camera, char filters[][NW_NAME_SIZE], size_t n_filters) {
    nw_buf_printf(buf, "setups:\n  main:\n    telescope: \"%s\"\n    camera: \"%s\"\n", telescope,
                  camera);
    if (n_filters > 0) {
        nw_buf_printf(buf, "    filters: [");
        for (size_t i = 0; i < n_filters; i++) {
            nw_buf_printf(buf, "%s\"%s\"", i ? ", " : "", filters[i]);
        }
        nw_buf_printf(buf, "]\n    filter: \"%s\" # the one in which the star width is judged\n",
                      filters[0]);
    }
    (void)put(buf, "setups.*.binning", f->binning, "", "");
    nw_buf_printf(buf,
                  "    # guided_by: {telescope: guide tube, camera: guide camera, exposure: 2 s}"
                  "\n    habits:\n");
    if (!put(buf, "setups.*.habits.sub_length", f->exposure_s, "s", "")) {
        nw_buf_printf(buf, "      sub_length: {value: 180 s, sigma: 50 %%, from: assumed}"
                           " # REPLACE\n");
    }
    nw_buf_printf(buf, "      # focus_interval: 60 min # time between two focus runs\n"
                       "    # allocations: {total: 3.5 arcsec} # what you would be content with\n");
}

enum nw_status nw_rig_draft(const struct nw_rig_facts *facts, struct nw_buf *ret,
                            struct nw_err *err) {
    char telescope[NW_NAME_SIZE];
    char camera[NW_NAME_SIZE];
    char filters[NW_RIG_MAX_FILTERS][NW_NAME_SIZE];
    clean_name(facts->telescope, "telescope", telescope);
    clean_name(facts->camera, "camera", camera);
    const size_t n_filters = clean_filters(facts, filters);
    const bool is_binned = isfinite(facts->binning) &&
                           nw_rig_key_allows(nw_rig_key_of("setups.*.binning"), facts->binning);
    const double binning = is_binned ? floor(facts->binning) : 1.0;
    struct nw_rig_facts f = *facts;
    f.binning = is_binned ? binning : NAN;
    nw_buf_printf(ret,
                  "# A rig file drafted from the headers of %zu frame%s. It works as it stands.\n"
                  "# 1. Look for 'REPLACE'; those values are guesses.\n"
                  "# 2. Check what is marked 'from: header'; headers repeat what was typed in.\n"
                  "# 3. `nightwright rig FILE` says what was understood,\n"
                  "#    `nightwright rig --keys` explains every key.\n"
                  "nightwright: 1\n"
                  "name: my observatory\n\n",
                  facts->n_frames, facts->n_frames == 1 ? "" : "s");
    draft_site(ret, &f);
    draft_telescope(ret, &f, telescope);
    draft_filters(ret, filters, n_filters);
    draft_camera(ret, &f, camera, binning);
    draft_setup(ret, &f, telescope, camera, filters, n_filters);
    return nw_buf_failed(ret) ? nw_err_set(err, NW_LIMIT, "the draft does not fit") : NW_OK;
}
