/* axes.c - where north and east are on a frame, from the cards of its world coordinates.
 * Holds: x-tilde = CD (p - CRPIX), first axis east, second north, in degrees (Calabretta & Greisen
 * 2002, A&A 395, 1077, sec. 2); near the field's centre that is all there is to the directions. */
#include "image/colours.h"

#include <math.h>

static double number(const struct nw_frame *frame, const char *key, double if_absent) {
    const struct nw_card *const card = nw_frame_card(frame, key);
    double value = 0.0;
    return card && nw_text_to_double(card->value, &value) ? value : if_absent;
}

static bool matrix_of(const struct nw_frame *frame, double m[static 4]) {
    if (nw_frame_card(frame, "CD1_1") || nw_frame_card(frame, "CD1_2")) {
        m[0] = number(frame, "CD1_1", 0.0);
        m[1] = number(frame, "CD1_2", 0.0);
        m[2] = number(frame, "CD2_1", 0.0);
        m[3] = number(frame, "CD2_2", 0.0);
        return true;
    }
    const double dx = number(frame, "CDELT1", NAN);
    const double dy = number(frame, "CDELT2", NAN);
    if (!isfinite(dx) || !isfinite(dy)) {
        return false;
    }
    double pc[4] = {1.0, 0.0, 0.0, 1.0};
    if (nw_frame_card(frame, "CROTA2")) { /* Calabretta & Greisen 2002, eq. 188 */
        const double c = cos(number(frame, "CROTA2", NAN) * NW_RAD_PER_DEG);
        const double s = sin(number(frame, "CROTA2", NAN) * NW_RAD_PER_DEG);
        pc[0] = c;
        pc[1] = -s * dy / dx;
        pc[2] = s * dx / dy;
        pc[3] = c;
    } else if (nw_frame_card(frame, "PC1_1") || nw_frame_card(frame, "PC1_2")) {
        pc[0] = number(frame, "PC1_1", 1.0);
        pc[1] = number(frame, "PC1_2", 0.0);
        pc[2] = number(frame, "PC2_1", 0.0);
        pc[3] = number(frame, "PC2_2", 1.0);
    } else {
        /* a scale alone does not say that the camera stands upright */
        return nw_frame_card(frame, "CTYPE1") != NULL && nw_frame_card(frame, "CRPIX1") != NULL;
    }
    m[0] = dx * pc[0];
    m[1] = dx * pc[1];
    m[2] = dy * pc[2];
    m[3] = dy * pc[3];
    return true;
}

struct nw_frame_axes nw_frame_axes_of(const struct nw_frame *frame) {
    struct nw_frame_axes r = {NAN, NAN, NAN};
    double m[4] = {0.0};
    const struct nw_card *const type = nw_frame_card(frame, "CTYPE1");
    if (!type || strncmp(type->value, "RA", 2) != 0 || !matrix_of(frame, m)) {
        return r; /* axes the other way round, or of another kind, are not read */
    }
    const double det = m[0] * m[3] - m[1] * m[2];
    if (!isfinite(det) || !(fabs(det) > 1e-24)) {
        return r;
    }
    /* pixel steps that move one degree east or north: columns of the inverse */
    r.east_rad = atan2(-m[2] / det, m[3] / det);
    r.north_rad = atan2(m[0] / det, -m[1] / det);
    r.scale_rad_px = sqrt(fabs(det)) * NW_RAD_PER_DEG;
    return r;
}
