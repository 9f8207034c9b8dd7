/* cfa.c - planes of a frame, and the pixels of one colour of a colour-filter frame.
 * Idea: nothing is interpolated: every second pixel of every second row, from the first place
 * where the pattern has that colour. Stars measured on it keep their noise independent. */
#include "base/clones.h"
#include "image/image.h"

const char *nw_channel_name(enum nw_channel channel) {
    static const char *const names[] = {[NW_CHANNEL_MONO] = "mono",
                                        [NW_CHANNEL_R] = "R",
                                        [NW_CHANNEL_G] = "G",
                                        [NW_CHANNEL_B] = "B",
                                        [NW_CHANNEL_CFA] = "cfa"};
    return names[channel];
}

struct nw_image_view nw_frame_plane(const struct nw_frame *frame, size_t plane) {
    const size_t first = plane * frame->width_px * frame->height_px;
    return (struct nw_image_view){.px = frame->px ? frame->px + first : NULL,
                                  .px16 = frame->px16 ? frame->px16 + first : NULL,
                                  .width_px = frame->width_px,
                                  .height_px = frame->height_px,
                                  .stride_px = frame->width_px};
}

NW_CLONES static void to_floats(const uint16_t *from, size_t n, float *to) {
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        to[i] = (float)from[i];
    }
}

const float *nw_image_span(const struct nw_image_view *image, size_t x0, size_t n, size_t y,
                           float *work) {
    const size_t first = y * image->stride_px + x0;
    if (image->px) {
        return image->px + first;
    }
    to_floats(image->px16 + first, n, work);
    return work;
}

static enum nw_status find_colour(const char *pattern, enum nw_channel channel, size_t *ret_at,
                                  struct nw_err *err) {
    static const char *const patterns[] = {"RGGB", "BGGR", "GRBG", "GBRG"};
    for (size_t i = 0; i < sizeof patterns / sizeof *patterns; i++) {
        if (nw_text_equal_nocase(pattern, patterns[i])) {
            const char colour = nw_channel_name(channel)[0];
            const char *const at = strchr(patterns[i], colour);
            if (!at || channel == NW_CHANNEL_MONO || channel == NW_CHANNEL_CFA) {
                return nw_err_set(err, NW_DOMAIN, "channel %s is no colour, expected R, G or B",
                                  nw_channel_name(channel));
            }
            *ret_at = (size_t)(at - patterns[i]);
            return NW_OK;
        }
    }
    return nw_err_set(err, NW_DOMAIN,
                      "colour-filter pattern '%.16s' is none of RGGB, BGGR, GRBG, GBRG", pattern);
}

enum nw_status nw_frame_cfa_plane(const struct nw_frame *frame, const char *pattern,
                                  enum nw_channel channel, struct nw_cfa_plane *ret,
                                  struct nw_err *err) {
    size_t at = 0;
    enum nw_status status = find_colour(pattern, channel, &at, err);
    if (status != NW_OK) {
        return status;
    }
    const size_t x0 = at % 2;
    const size_t y0 = at / 2;
    if (frame->n_planes != 1 || (!frame->px && !frame->px16)) {
        return nw_err_set(err, NW_DOMAIN, "a frame of %zu planes%s has no colour-filter pattern",
                          frame->n_planes, frame->px || frame->px16 ? "" : " without pixels");
    }
    if (frame->width_px <= x0 || frame->height_px <= y0) {
        return nw_err_set(err, NW_DOMAIN, "a frame of %zu x %zu px has no pixel of colour %s",
                          frame->width_px, frame->height_px, nw_channel_name(channel));
    }
    struct nw_cfa_plane plane = {.width_px = (frame->width_px - x0 + 1) / 2,
                                 .height_px = (frame->height_px - y0 + 1) / 2,
                                 .x0 = (double)x0,
                                 .y0 = (double)y0};
    plane.px = nw_big_alloc(plane.width_px * plane.height_px * sizeof *plane.px);
    if (!plane.px) {
        return nw_err_set(err, NW_NOMEM, "%zu pixels", plane.width_px * plane.height_px);
    }
    for (size_t y = 0; y < plane.height_px; y++) {
        const size_t first = (2 * y + y0) * frame->width_px + x0;
        float *const to = plane.px + y * plane.width_px;
        for (size_t x = 0; x < plane.width_px; x++) {
            to[x] = frame->px ? frame->px[first + 2 * x] : (float)frame->px16[first + 2 * x];
        }
    }
    *ret = plane;
    return NW_OK;
}

void nw_cfa_plane_done(struct nw_cfa_plane *plane) {
    if (plane) {
        nw_big_free(plane->px);
        *plane = (struct nw_cfa_plane){0};
    }
}
