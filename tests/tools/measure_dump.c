/* measure_dump.c - prints what the image engine measures on a frame, for comparisons in Python.
 * usage: measure_dump FRAME [THREADS] */
#include <math.h>

#include "image/image.h"

int main(int argc, char **argv) {
    if (argc < 2) {
        (void)fputs("usage: measure_dump FRAME [THREADS]\n", stderr);
        return 2;
    }
    struct nw_err err = {NW_OK, ""};
    struct nw_frame *frame = NULL;
    struct nw_measure *m = NULL;
    struct nw_measure_opts opts = {0};
    long threads = 0;
    if (argc > 2 && nw_text_to_long(argv[2], &threads)) {
        opts.n_threads = (int)threads;
    }
    enum nw_status status = nw_frame_read(argv[1], NULL, &frame, &err);
    if (status == NW_OK) {
        const enum nw_channel channel = frame->n_planes == 3 ? NW_CHANNEL_G : NW_CHANNEL_MONO;
        status = nw_measure_frame(frame, channel, "", &opts, &m, &err);
    }
    if (status == NW_OK) {
        (void)printf("# stars %zu used %zu saturated %zu background %.6g noise %.6g fwhm %.5g +- "
                     "%.2g optical %.5g half %.5g beta %.4g neq %.5g e1 %.5f e2 %.5f flags %u\n",
                     m->n_stars, m->n_used, m->n_saturated, m->background_adu, m->noise_adu,
                     m->fwhm_px, m->fwhm_sigma_px, m->fwhm_optical_px, m->half_light_px,
                     m->moffat_beta, m->neq_area_px2, m->e1, m->e2, m->flags);
        (void)printf("x,y,x_sigma,y_sigma,flux,flux_sigma,snr,fwhm,fwhm_sigma,optical,half,e1,e2,"
                     "flags\n");
        for (size_t i = 0; i < m->n_stars; i++) {
            const struct nw_star *const s = &m->stars[i];
            (void)printf("%.5f,%.5f,%.5f,%.5f,%.6g,%.4g,%.5g,%.5f,%.5f,%.5f,%.5f,%.5f,%.5f,%u\n",
                         s->x_px, s->y_px, s->x_sigma_px, s->y_sigma_px, s->flux_adu,
                         s->flux_sigma_adu, s->snr, s->fwhm_px, s->fwhm_sigma_px,
                         s->fwhm_optical_px, s->half_light_px, s->e1, s->e2, s->flags);
        }
    } else {
        (void)fprintf(stderr, "%s\n", err.text);
    }
    nw_measure_free(m);
    nw_frame_free(frame);
    return status == NW_OK ? 0 : 1;
}
