/* frame_stats.c - what nw_frame_read makes of files, as text for tests/reference.
 * usage: frame_stats FILE[@HDU]...   one line a file:
 *   width height planes hdu bitpix compressed n_nan min max mean sum weighted   (or "error: ...")
 * weighted = sum of pixel times (index mod 1009): it notices pixels in the wrong place. NaN pixels
 * count in n_nan alone. -c FILE prints the cards, -f FILE the facts, -w FILE writes FILE.copy with
 * the same cards in float. */
#include <math.h>

#include "image/image.h"

static void print_stats(const struct nw_frame *frame) {
    const size_t n = frame->width_px * frame->height_px * frame->n_planes;
    size_t n_nan = 0;
    double low = INFINITY;
    double high = -INFINITY;
    double sum = 0.0;
    double weighted = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double value = (double)frame->px[i];
        if (isnan(value)) {
            n_nan++;
            continue;
        }
        low = fmin(low, value);
        high = fmax(high, value);
        sum += value;
        weighted += value * (double)(i % 1009);
    }
    printf("%zu %zu %zu %d %d %d %zu %.9g %.9g %.17g %.17g %.17g\n", frame->width_px,
           frame->height_px, frame->n_planes, frame->hdu, frame->bitpix, frame->is_compressed,
           n_nan, low, high, sum / (double)(n - n_nan), sum, weighted);
}

static void print_facts(const struct nw_frame_facts *f) {
    printf("t_start_utc_s %.6f\nexposure_s %.9g\ngain_setting %.9g\noffset_setting %.9g\n"
           "gain_e_per_adu %.9g\nread_noise_e %.9g\nset_temperature_K %.9g\n"
           "chip_temperature_K %.9g\npixel_m %.9g\nbinning %.9g\nfocal_length_m %.9g\n"
           "airmass %.9g\nra_rad %.12g\ndec_rad %.12g\nsaturation_adu %.9g\nfilter %s\n"
           "object %s\ncamera %s\ntelescope %s\nimage_type %s\nbayer %s\n",
           f->t_start_utc_s, f->exposure_s, f->gain_setting, f->offset_setting, f->gain_e_per_adu,
           f->read_noise_e, f->set_temperature_K, f->chip_temperature_K, f->pixel_m, f->binning,
           f->focal_length_m, f->airmass, f->ra_rad, f->dec_rad, f->saturation_adu, f->filter,
           f->object, f->camera, f->telescope, f->image_type, f->bayer);
}

static bool write_copy(const struct nw_frame *frame) {
    struct nw_err err;
    char path[4096];
    (void)snprintf(path, sizeof path, "%s.copy", frame->path);
    const struct nw_frame_out out = {.px = frame->px,
                                     .bitpix = -32,
                                     .width_px = frame->width_px,
                                     .height_px = frame->height_px,
                                     .n_planes = frame->n_planes,
                                     .cards = frame->cards,
                                     .n_cards = frame->n_cards};
    const bool is_written = nw_frame_write(path, &out, &err) == NW_OK;
    printf("%s\n", is_written ? path : err.text);
    return is_written;
}

static bool print_file(char *name, char what) {
    struct nw_frame_opts opts = {.header_only = what == 'c' || what == 'f'};
    char *const mark = strrchr(name, '@');
    long hdu = 0;
    if (mark && nw_text_to_long(mark + 1, &hdu)) {
        opts.hdu = (int)hdu;
        *mark = '\0';
    }
    struct nw_frame *frame = NULL;
    struct nw_err err;
    if (nw_frame_read(name, &opts, &frame, &err) != NW_OK) {
        printf("error: %s\n", err.text);
        return false;
    }
    if (what == 's') {
        print_stats(frame);
    } else if (what == 'f') {
        print_facts(&frame->facts);
    }
    for (size_t i = 0; what == 'c' && i < frame->n_cards; i++) {
        printf("%s\t%s\t%s\n", frame->cards[i].key, frame->cards[i].value,
               frame->cards[i].is_text ? "text" : "number");
    }
    const bool is_done = what != 'w' || write_copy(frame);
    nw_frame_free(frame);
    return is_done;
}

int main(int argc, char **argv) {
    int n_failed = 0;
    char what = 's';
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "-c") == 0 || strcmp(argv[i], "-f") == 0 ||
            strcmp(argv[i], "-w") == 0) {
            what = argv[i][1];
            continue;
        }
        n_failed += print_file(argv[i], what) ? 0 : 1;
    }
    return n_failed > 0 ? 1 : 0;
}
