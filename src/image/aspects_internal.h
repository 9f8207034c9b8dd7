/* aspects_internal.h - what the files behind aspects.h share. Coordinates are those of the measured
 * grid; aspects.c turns them into frame pixels. */
#ifndef NW_ASPECTS_INTERNAL_H
#define NW_ASPECTS_INTERNAL_H

#include "image/measure_internal.h"

struct star_list { /* grid px, brightest first */
    const struct nw_star *stars;
    size_t n;
    double fwhm_px; /* delivered, of the frame; NaN: not measured */
    double neq_area_px2;
};

struct camera {
    struct nw_camera_noise noise;
    double exposure_s;
};

/* gradient.c */
struct nw_gradient gradient_measure(const struct field *field);
/* noise.c */
struct nw_noise noise_measure(const struct field *field);
/* halo.c */
struct nw_halo halo_measure(const struct field *field, const struct star_list *list);
/* streaks.c: fills streaks and n_streaks; NOMEM only */
enum nw_status streaks_find(const struct field *field, const struct star_list *list,
                            struct nw_aspects *ret, struct nw_err *err) NW_CHECKED;
/* aspects.c */
struct star_list star_list_of(const struct nw_measure *m, const struct seeing *seeing,
                              double neq_area_px2, double pixel_width);
struct nw_aspects aspects_none(void); /* nothing measured */
enum nw_status aspects_measure(const struct field *field, const struct star_list *list,
                               const struct camera *camera, struct nw_aspects *ret,
                               struct nw_err *err) NW_CHECKED;
/* What needs the frame's summary; streaks from grid to frame pixels: x_frame = x0 + pitch x. */
void aspects_finish(struct nw_measure *m, double pitch, double x0, double y0);

#endif
