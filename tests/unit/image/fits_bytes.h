/* fits_bytes.h - an independent, tiny writer of FITS bytes for the tests: cards as given, pixels as
 * given, nothing checked, so that it can lie. */
#ifndef NW_TEST_FITS_BYTES_H
#define NW_TEST_FITS_BYTES_H

#include <stdint.h>
#include <unistd.h>

#include "check.h"
#include "image/image.h"

struct fits_bytes {
    unsigned char data[1 << 17];
    size_t n;
};

static inline void put_card(struct fits_bytes *file, const char *text) {
    char card[81];
    (void)snprintf(card, sizeof card, "%-80.80s", text);
    memcpy(file->data + file->n, card, 80);
    file->n += 80;
}

static inline void put_padding(struct fits_bytes *file, int with) {
    while (file->n % 2880 != 0) {
        file->data[file->n++] = (unsigned char)with;
    }
}

/* Cards separated by '\n', END added. */
static inline void put_header(struct fits_bytes *file, const char *cards) {
    while (*cards) {
        const size_t n = strcspn(cards, "\n");
        char card[128];
        (void)snprintf(card, sizeof card, "%.*s", (int)n, cards);
        put_card(file, card);
        cards += n + (cards[n] ? 1 : 0);
    }
    put_card(file, "END");
    put_padding(file, ' ');
}

static inline void put_big_endian(struct fits_bytes *file, uint64_t bits, size_t n_bytes) {
    for (size_t i = n_bytes; i-- > 0;) {
        file->data[file->n++] = (unsigned char)(bits >> (8 * i));
    }
}

/* Writes the bytes to a fresh file; its name in path. */
static inline void save_bytes(const void *bytes, size_t n, char path[static 64]) {
    (void)snprintf(path, 64, "/tmp/nw_test_fits_XXXXXX");
    const int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, n), (ssize_t)n);
    assert_int_equal(close(fd), 0);
}

static inline enum nw_status read_bytes_as(const void *bytes, size_t n,
                                           const struct nw_frame_opts *opts, struct nw_frame **ret,
                                           struct nw_err *err) {
    char path[64];
    save_bytes(bytes, n, path);
    *ret = NULL;
    *err = (struct nw_err){0};
    const enum nw_status status = nw_frame_read(path, opts, ret, err);
    (void)unlink(path);
    return status;
}

static inline enum nw_status read_bytes(const void *bytes, size_t n, struct nw_frame **ret,
                                        struct nw_err *err) {
    return read_bytes_as(bytes, n, NULL, ret, err);
}

static inline struct nw_frame *read_good(const struct fits_bytes *file) {
    struct nw_frame *frame = NULL;
    struct nw_err err;
    if (read_bytes(file->data, file->n, &frame, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return frame;
}

/* The text must hold `part`. */
static inline void check_text(const char *text, const char *part) {
    if (!strstr(text, part)) {
        print_error("'%s' does not hold '%s'\n", text, part);
        fail();
    }
}

#endif
