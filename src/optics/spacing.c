/* spacing.c - glass in a converging beam; scale against the spacing of a corrector.
 * Sources of the dispersion formulas: beside each row. */
#include "optics/spacing.h"

#include <math.h>

/* n^2 - 1 = sum_i B_i l^2 / (l^2 - C_i), l in um, C in um^2. */
static const struct {
    const char *word;
    double b[3], c[3], from_um, to_um;
} GLASSES[NW_N_GLASSES] = {
    /* maker's data sheet of the glass, from memory; n_d 1.51680: REFERENCES FOC-07 */
    [NW_GLASS_N_BK7] = {"N-BK7",
                        {1.03961212, 0.231792344, 1.01046945},
                        {0.00600069867, 0.0200179144, 103.560653},
                        0.3,
                        2.5},
    /* Malitson 1965, JOSA 55, 1205, from memory; his wavelengths squared; n_d 1.45846 */
    [NW_GLASS_FUSED_SILICA] = {"fused_silica",
                               {0.6961663, 0.4079426, 0.8974794},
                               {0.0684043 * 0.0684043, 0.1162414 * 0.1162414, 9.896161 * 9.896161},
                               0.21,
                               3.7},
    /* Malitson & Dodge 1972 (ordinary ray), from memory; n_d 1.7682 */
    [NW_GLASS_SAPPHIRE] = {"sapphire",
                           {1.4313493, 0.65054713, 5.3414021},
                           {0.0726631 * 0.0726631, 0.1193242 * 0.1193242, 18.028251 * 18.028251},
                           0.2,
                           5.5},
};

bool nw_glass_find(const char *word, enum nw_glass *ret) {
    for (int i = 0; i < NW_N_GLASSES; i++) {
        if (nw_text_equal_nocase(word, GLASSES[i].word)) {
            *ret = (enum nw_glass)i;
            return true;
        }
    }
    return false;
}

double nw_glass_index(enum nw_glass glass, double wavelength_m) {
    const double l_um = wavelength_m * 1e6;
    if (!(l_um >= GLASSES[glass].from_um && l_um <= GLASSES[glass].to_um)) {
        return NAN;
    }
    double sum = 1.0;
    for (int i = 0; i < 3; i++) {
        sum += GLASSES[glass].b[i] * l_um * l_um / (l_um * l_um - GLASSES[glass].c[i]);
    }
    return sqrt(sum);
}

double nw_optics_glass_shift_m(double thickness_m, double index) {
    return thickness_m * (1.0 - 1.0 / index);
}

double nw_optics_scale_per_spacing_per_m(double magnification, double spacing_m) {
    return -(1.0 - magnification) / (magnification * spacing_m);
}

double nw_optics_spacing_of_magnification_m(double magnification, double spacing_m,
                                            double magnification_then) {
    return spacing_m * (1.0 - magnification_then) / (1.0 - magnification);
}
