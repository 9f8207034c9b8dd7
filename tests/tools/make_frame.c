/* make_frame.c - writes a small frame of known stars: Moffat profiles (beta 3), fixed seed.
 * usage: make_frame FILE [FWHM_PX [STARS [WIDTH HEIGHT [TRUTH.csv]]]]
 * The truth is a table of places (first pixel (1, 1)) and light. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "image/image.h"

enum { SUB = 5, REACH = 14 };

static void add_star(double *px, size_t width, size_t height, const double star[static 3],
                     double fwhm_px) {
    const double alpha = fwhm_px / (2.0 * sqrt(cbrt(2.0) - 1.0)); /* Moffat 1969, beta 3 */
    for (long y = lround(star[1]) - REACH; y <= lround(star[1]) + REACH; y++) {
        for (long x = lround(star[0]) - REACH; x <= lround(star[0]) + REACH; x++) {
            if (x < 0 || y < 0 || x >= (long)width || y >= (long)height) {
                continue;
            }
            double sum = 0.0;
            for (int k = 0; k < SUB * SUB; k++) { /* the mean over the pixel */
                const int row = k / SUB;
                const double dx = (double)x + (k % SUB + 0.5) / SUB - 0.5 - star[0];
                const double dy = (double)y + (row + 0.5) / SUB - 0.5 - star[1];
                sum += pow(1.0 + (dx * dx + dy * dy) / (alpha * alpha), -3.0);
            }
            px[(size_t)y * width + (size_t)x] +=
                star[2] * 2.0 / (NW_PI * alpha * alpha) * sum / (SUB * SUB);
        }
    }
}

static double argument(int argc, char **argv, int i, double if_absent) {
    double value = if_absent;
    return argc > i && nw_text_to_double(argv[i], &value) ? value : if_absent;
}

static enum nw_status write_frame(const char *path, const double *px, size_t width, size_t height,
                                  gsl_rng *rng, struct nw_err *err) {
    uint16_t *const out = nw_calloc(width * height, sizeof *out);
    if (!out) {
        return nw_err_set(err, NW_NOMEM, "%zu x %zu px", width, height);
    }
    for (size_t i = 0; i < width * height; i++) {
        const double value = px[i] + gsl_ran_gaussian(rng, sqrt(100.0 + fmax(px[i], 0.0)));
        out[i] = (uint16_t)lround(fmin(fmax(1000.0 + value, 0.0), 65535.0));
    }
    static const struct nw_card CARDS[] = {{.key = "EGAIN", .value = "1.0"},
                                           {.key = "EXPTIME", .value = "60.0"},
                                           {.key = "XPIXSZ", .value = "3.76"},
                                           {.key = "FOCALLEN", .value = "644"}};
    const struct nw_frame_out frame = {.px = out,
                                       .bitpix = 16,
                                       .width_px = width,
                                       .height_px = height,
                                       .n_planes = 1,
                                       .cards = CARDS,
                                       .n_cards = sizeof CARDS / sizeof CARDS[0]};
    const enum nw_status status = nw_frame_write(path, &frame, err);
    free(out);
    return status;
}

/* All stars onto the image; each a line of the truth where that is wanted. */
static bool add_stars(double *px, size_t width, size_t height, size_t n_stars, double fwhm_px,
                      gsl_rng *rng, const char *truth_path) {
    FILE *const truth = truth_path ? fopen(truth_path, "w") : NULL;
    bool is_good = !truth_path || truth;
    if (truth) {
        is_good = fprintf(truth, "x_px,y_px,flux_adu\n") > 0;
    }
    for (size_t i = 0; i < n_stars && is_good; i++) {
        const double star[3] = {gsl_ran_flat(rng, 0.0, (double)width),
                                gsl_ran_flat(rng, 0.0, (double)height),
                                2000.0 * pow(gsl_rng_uniform_pos(rng), -0.9)};
        add_star(px, width, height, star, fwhm_px);
        if (truth) {
            is_good = fprintf(truth, "%.4f,%.4f,%.2f\n", star[0] + 1.0, star[1] + 1.0, star[2]) > 0;
        }
    }
    if (truth) {
        is_good = fclose(truth) == 0 && is_good;
    }
    return is_good;
}

int main(int argc, char **argv) {
    const size_t width = (size_t)argument(argc, argv, 4, 480.0);
    const size_t height = (size_t)argument(argc, argv, 5, 320.0);
    const double fwhm_px = argument(argc, argv, 2, 2.6);
    const size_t n_stars = (size_t)argument(argc, argv, 3, 120.0);
    double *const px = nw_calloc(width * height, sizeof *px);
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_err err = {NW_USAGE,
                         "usage: make_frame FILE [FWHM_PX [STARS [WIDTH HEIGHT [TRUTH]]]]"};
    enum nw_status status = NW_USAGE;
    if (argc > 1 && px && rng) {
        gsl_rng_set(rng, 1);
        status = add_stars(px, width, height, n_stars, fwhm_px, rng, argc > 6 ? argv[6] : NULL)
                     ? write_frame(argv[1], px, width, height, rng, &err)
                     : nw_err_set(&err, NW_IO, "cannot write the truth");
    }
    if (status != NW_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
    }
    gsl_rng_free(rng);
    free(px);
    return status == NW_OK ? 0 : 1;
}
