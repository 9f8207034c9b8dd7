/* fuzz_frame.c - any bytes as an image file: a frame whose every pixel can be read, or one error
 * that names the file. */
#include <unistd.h>

#include "fuzz.h"
#include "image/image.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

static void read_everything(const struct nw_frame *frame) {
    const size_t n = frame->width_px * frame->height_px * frame->n_planes;
    double sum = 0.0;
    for (size_t i = 0; frame->px && i < n; i++) {
        sum += (double)frame->px[i];
    }
    volatile double kept = sum; /* so that the reading is not left out */
    (void)kept;
    for (size_t i = 0; i < frame->n_cards; i++) {
        const struct nw_card *const card = &frame->cards[i];
        require(nw_text_is_utf8(card->value, strlen(card->value)));
        require(strlen(card->key) < sizeof card->key);
        require(nw_frame_card(frame, card->key) != NULL);
    }
    require(nw_text_is_utf8(frame->facts.filter, strlen(frame->facts.filter)));
    struct nw_cfa_plane plane = {0};
    if (frame->px &&
        nw_frame_cfa_plane(frame, frame->facts.bayer, NW_CHANNEL_G, &plane, NULL) == NW_OK) {
        nw_cfa_plane_done(&plane);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    char path[] = "/tmp/nw_fuzz_frame_XXXXXX";
    const int fd = mkstemp(path);
    require(fd >= 0);
    const ssize_t written = size > 0 ? write(fd, data, size) : 0;
    (void)close(fd);
    for (int hdu = 0; hdu <= 2; hdu++) {
        const struct nw_frame_opts opts = {.hdu = hdu, .may_be_cut = hdu == 0};
        struct nw_frame *frame = NULL;
        struct nw_err err = {0};
        if (nw_frame_read(path, &opts, &frame, &err) == NW_OK) {
            read_everything(frame);
        } else {
            require(!frame && strncmp(err.text, path, strlen(path)) == 0);
        }
        nw_frame_free(frame);
    }
    (void)unlink(path);
    require(written == (ssize_t)size);
    return 0;
}
