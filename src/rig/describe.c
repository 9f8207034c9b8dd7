/* describe.c - what was understood of a rig file, in 80 columns, for one setup.
 * Idea: the owner reads his own rig back, with what follows from it (scale, field, depth of focus)
 * and, as loudly, every number that he did not give. */
#include "rig/rig_internal.h"

#include <math.h>

static void print_value(struct nw_buf *buf, const char *label, const struct nw_val *val,
                        double unit, const char *unit_name) {
    if (!isfinite(val->v)) {
        return;
    }
    nw_buf_printf(buf, "  %-22s %.6g", label, val->v / unit);
    if (isfinite(val->sigma) && val->sigma > 0.0) {
        nw_buf_printf(buf, " +- %.2g", val->sigma / unit);
    }
    nw_buf_printf(buf, "%s%s", *unit_name ? " " : "", unit_name);
    if (val->from != NW_FROM_GIVEN) {
        nw_buf_printf(buf, "  [%s]", nw_from_name(val->from));
    }
    nw_buf_printf(buf, "\n");
}

static void print_telescope(struct nw_buf *buf, const char *label, const struct nw_telescope *t) {
    nw_buf_printf(buf, "  %-22s %s: %.4g mm, f %.5g mm (f/%.3g)\n", label, t->name,
                  t->aperture_m.v * 1e3, t->focal_length_m.v * 1e3,
                  t->focal_length_m.v / t->aperture_m.v);
}

static void print_camera(struct nw_buf *buf, const char *label, const struct nw_camera *c) {
    nw_buf_printf(buf, "  %-22s %s: %zu x %zu px of %.4g um, %s\n", label, c->name, c->width_px,
                  c->height_px, c->pixel_m.v * 1e6, c->pattern[0] ? c->pattern : "mono");
}

static void print_parts(struct nw_buf *buf, const struct nw_setup *s) {
    print_telescope(buf, "telescope", &s->telescope);
    if (s->has_corrector) {
        nw_buf_printf(buf, "  %-22s %s: magnification %.4g\n", "corrector", s->corrector.name,
                      s->corrector.magnification.v);
    }
    nw_buf_printf(buf, "  %-22s %s, carries %s\n", "focuser",
                  s->has_focuser ? s->focuser.name : "assumed",
                  s->focuser.carries == NW_CARRIES_CAMERA ? "the camera" : "corrector and camera");
    nw_buf_printf(buf, "  %-22s %s: %.5g nm, %.4g nm wide\n", "judged in", s->filter.name,
                  s->filter.centre_m.v * 1e9, s->filter.width_m.v * 1e9);
    print_camera(buf, "camera", &s->camera);
    if (s->has_guide) {
        print_telescope(buf, "guided by", &s->guide_telescope);
        print_camera(buf, "  with", &s->guide_camera);
        print_value(buf, "  exposure", &s->guide_exposure_s, 1.0, "s");
    } else {
        nw_buf_printf(buf, "  %-22s nothing\n", "guided by");
    }
}

/* Scale = 206264.806 p / f (REFERENCES IMG-02), field 2 atan(w / 2f) (IMG-03), depth of focus
 * +- 2 lambda N^2 (Born & Wolf, Principles of Optics, sec. 9.3; FOC-01). */
static void print_derived(struct nw_buf *buf, const struct nw_setup *s) {
    const double f_m = s->focal_length_m.v;
    const double scale_arcsec = nw_setup_scale_rad(s) * NW_ARCSEC_PER_RAD;
    const double share = isfinite(s->focal_length_m.sigma) ? s->focal_length_m.sigma / f_m : 0.0;
    const double n = nw_setup_f_ratio(s);
    const double depth_m = 2.0 * s->filter.centre_m.v * n * n;
    const double m = s->corrector.magnification.v;
    print_value(buf, "focal length", &s->focal_length_m, 1e-3, "mm");
    nw_buf_printf(buf, "  %-22s f/%.3g\n", "focal ratio", n);
    nw_buf_printf(buf, "  %-22s %.3f +- %.3f \"/px", "scale", scale_arcsec, share * scale_arcsec);
    if (s->binning.v > 1.0) {
        nw_buf_printf(buf, ", binned %.0f x %.0f", s->binning.v, s->binning.v);
    }
    nw_buf_printf(buf, "\n");
    nw_buf_printf(
        buf, "  %-22s %.3f x %.3f deg\n", "field",
        2.0 * NW_DEG_PER_RAD * atan(0.5 * (double)s->camera.width_px * s->camera.pixel_m.v / f_m),
        2.0 * NW_DEG_PER_RAD * atan(0.5 * (double)s->camera.height_px * s->camera.pixel_m.v / f_m));
    nw_buf_printf(buf, "  %-22s +- %.1f um at the sensor (2 lambda N^2)\n", "depth of focus",
                  depth_m * 1e6);
    if (s->focuser.carries == NW_CARRIES_CORRECTOR_AND_CAMERA && s->has_corrector) {
        nw_buf_printf(buf, "  %-22s +- %.1f um of focuser travel (divided by m^2)\n", "",
                      depth_m * 1e6 / (m * m));
    }
}

static void print_site(struct nw_buf *buf, const struct nw_rig *rig) {
    const struct nw_site *const site = &rig->site;
    nw_buf_printf(buf, "Site%s%s\n", site->name[0] ? ": " : "", site->name);
    print_value(buf, "latitude", &site->latitude_rad, NW_RAD_PER_DEG, "deg");
    print_value(buf, "longitude", &site->longitude_rad, NW_RAD_PER_DEG, "deg (east +)");
    print_value(buf, "elevation", &site->elevation_m, 1.0, "m");
    print_value(buf, "air above, seeing", &site->seeing_rad, 1.0 / NW_ARCSEC_PER_RAD, "arcsec");
    print_value(buf, "local air", &site->local_air_rad, 1.0 / NW_ARCSEC_PER_RAD, "arcsec");
    print_value(buf, "sky brightness", &site->sky_brightness_mag_arcsec2, 1.0, "mag/arcsec2");
    nw_buf_printf(buf, "Mount%s%s\n", rig->mount.name[0] ? ": " : "", rig->mount.name);
    print_value(buf, "motion in a sub, RA", &rig->mount.motion_ra_rad, 1.0 / NW_ARCSEC_PER_RAD,
                "arcsec rms");
    print_value(buf, "motion in a sub, Dec", &rig->mount.motion_dec_rad, 1.0 / NW_ARCSEC_PER_RAD,
                "arcsec rms");
    print_value(buf, "flexure", &rig->mount.flexure_rad_s, 1.0 / NW_ARCSEC_PER_RAD / 3600.0,
                "arcsec/h");
    print_value(buf, "polar error", &rig->mount.polar_error_rad, NW_RAD_PER_DEG / 60.0, "arcmin");
}

static void print_habits(struct nw_buf *buf, const struct nw_setup *s) {
    nw_buf_printf(buf, "Habits and focal surface\n");
    print_value(buf, "sub length", &s->sub_length_s, 1.0, "s");
    print_value(buf, "focus interval", &s->focus_interval_s, 60.0, "min");
    print_value(buf, "airmass", &s->airmass, 1.0, "");
    nw_buf_printf(buf, "  %-22s %s\n", "resampling", s->resampling);
    print_value(buf, "tilt", &s->tilt_m, 1e-6, "um, corner to corner");
    print_value(buf, "curvature", &s->curvature_m, 1e-6, "um, centre to corner");
    print_value(buf, "astigmatism", &s->astigmatism_m, 1e-6, "um at the corner");
    print_value(buf, "decentre coma", &s->decentre_coma_rad, 1.0 / NW_ARCSEC_PER_RAD, "arcsec");
    if (s->n_changes > 0) {
        nw_buf_printf(buf, "Changes to weigh\n");
    }
    for (size_t i = 0; i < s->n_changes; i++) {
        nw_buf_printf(buf, "  %s (%s)\n", s->changes[i].name, s->changes[i].effort);
    }
}

static bool begins(const char *path, const char *inventory, const char *name) {
    char prefix[96];
    const int n = snprintf(prefix, sizeof prefix, "%s.%s.", inventory, name);
    return strncmp(path, prefix, (size_t)n) == 0;
}

/* Whether an assumption matters to this setup. The guide train is left out: what it does to the
 * star is in the mount's numbers. */
static bool concerns(const struct nw_setup *s, const char *path) {
    return strncmp(path, "site.", 5) == 0 || strncmp(path, "mount.", 6) == 0 ||
           begins(path, "setups", s->name) || begins(path, "telescopes", s->telescope.name) ||
           begins(path, "correctors", s->corrector.name) ||
           begins(path, "focusers", s->focuser.name) || begins(path, "filters", s->filter.name) ||
           begins(path, "cameras", s->camera.name);
}

static void print_assumptions(struct nw_buf *buf, const struct nw_rig *rig,
                              const struct nw_setup *s) {
    size_t n_others = 0;
    nw_buf_printf(buf, "Assumed, because the file does not say (give your own where you can)\n");
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        const struct nw_assumption *const a = &rig->assumptions[i];
        if (!concerns(s, a->path)) {
            n_others++;
            continue;
        }
        nw_buf_printf(buf, "  %s = %s\n", a->path, a->value);
        if (strcmp(a->why, "common practice, no source") != 0) {
            nw_rig_wrap(buf, a->why, 6);
        }
    }
    if (n_others > 0) {
        nw_buf_printf(buf, "  and %zu more about parts that this setup does not judge by\n",
                      n_others);
    }
    if (rig->n_assumptions > 0) {
        nw_buf_printf(buf, "  Where no reason stands: common practice, no source.\n");
    }
}

enum nw_status nw_rig_describe(const struct nw_rig *rig, const char *setup, struct nw_buf *ret,
                               struct nw_err *err) {
    const struct nw_setup *const s = nw_rig_setup(rig, setup);
    if (!s) {
        const char *names[NW_RIG_MAX_SETUPS];
        size_t n = 0;
        for (size_t i = 0; i < rig->n_setups && n < NW_RIG_MAX_SETUPS; i++) {
            names[n++] = rig->setups[i].name;
        }
        const char *const near = nw_text_nearest(setup, names, n);
        return nw_err_set(err, NW_NOTFOUND, "%s has no setup '%.48s'; %s is '%.48s'", rig->path,
                          setup, near ? "nearest" : "the first", near ? near : names[0]);
    }
    nw_buf_printf(ret, "%s\n\n", rig->name);
    print_site(ret, rig);
    nw_buf_printf(ret, "Setup: %s (one of %zu)\n", s->name, rig->n_setups);
    print_parts(ret, s);
    print_derived(ret, s);
    print_habits(ret, s);
    print_assumptions(ret, rig, s);
    return nw_buf_failed(ret) ? nw_err_set(err, NW_LIMIT, "the description does not fit") : NW_OK;
}
