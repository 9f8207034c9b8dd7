/* one_frame.c - the smallest true client of the library: one frame, from file to star width.
 *
 * build   ninja -C build
 * run     build/examples/one_frame FRAME.fits
 * Read docs/architecture.md before, src/image/image.h after. */
#include <math.h>
#include <stdio.h>

#include "image/image.h"

/* Each zone of the field that has stars enough, as the frame shows it: first row at the top. */
static void print_field(const struct nw_measure *m) {
    (void)printf("star width over the field, px\n");
    for (int row = 0; row < NW_ZONES_Y; row++) {
        for (int column = 0; column < NW_ZONES_X; column++) {
            const struct nw_zone *const zone = &m->zones[row * NW_ZONES_X + column];
            if (isfinite(zone->fwhm_px)) {
                (void)printf("%8.2f", zone->fwhm_px);
            } else {
                (void)printf("%8s", "-"); /* not measured is never 0 */
            }
        }
        (void)printf("\n");
    }
}

static void print_frame(const struct nw_frame *frame, const struct nw_measure *m) {
    (void)printf("%s: %zu x %zu px, %zu stars found, %zu used\n", frame->path, frame->width_px,
                 frame->height_px, m->n_stars, m->n_used);
    (void)printf("sky %.1f adu, noise %.2f adu\n", m->background_adu, m->noise_adu);
    if (!isfinite(m->fwhm_px)) {
        (void)printf("too few clean stars for a width\n");
        return;
    }
    (void)printf("star width as delivered %.3f +- %.3f px", m->fwhm_px, m->fwhm_sigma_px);
    const struct nw_frame_facts *const facts = &frame->facts;
    if (facts->pixel_m > 0.0 && facts->focal_length_m > 0.0) {
        const double scale_rad_px = atan(facts->pixel_m / facts->focal_length_m);
        (void)printf(" = %.2f arcsec", m->fwhm_px * scale_rad_px * NW_ARCSEC_PER_RAD);
    }
    (void)printf("\nlonger than wide by %.1f %%, direction %.0f deg from +x towards +y\n",
                 100.0 * (m->elongation - 1.0), m->elongation_angle_rad * NW_DEG_PER_RAD);
    print_field(m);
}

int main(int argc, char **argv) {
    if (argc != 2) {
        (void)fprintf(stderr, "usage: one_frame FRAME.fits\n");
        return 2;
    }
    struct nw_err err = {0}; /* the caller's: no global holds the last error */
    struct nw_frame *frame = NULL;
    struct nw_measure *measure = NULL;
    enum nw_status status = nw_frame_read(argv[1], NULL, &frame, &err);
    if (status == NW_OK) {
        /* a colour frame is measured by colour; mono is the whole frame */
        const enum nw_channel channel = frame->n_planes == 3 ? NW_CHANNEL_G : NW_CHANNEL_MONO;
        status = nw_measure_frame(frame, channel, "", NULL, &measure, &err);
    }
    if (status == NW_OK) {
        print_frame(frame, measure);
    } else {
        (void)fprintf(stderr, "one_frame: %s\n", err.text);
    }
    nw_measure_free(measure); /* NULL is allowed: one way out for all cases */
    nw_frame_free(frame);
    return status == NW_OK ? 0 : 1;
}
