/* pack.c - numbers as bytes, little-endian on every machine; star lists out of them. */
#include "book/book_internal.h"

void book_put_bits(unsigned char *to, uint64_t bits, unsigned n_bytes) {
    for (unsigned i = 0; i < n_bytes; i++) {
        to[i] = (unsigned char)(bits >> (8 * i));
    }
}

void book_put_float(unsigned char *to, double value) {
    const float as_float = (float)value;
    uint32_t bits = 0;
    memcpy(&bits, &as_float, sizeof bits);
    book_put_bits(to, bits, 4);
}

uint32_t book_get_bits(const unsigned char *from) {
    uint32_t bits = 0;
    for (unsigned i = 0; i < 4; i++) {
        bits |= (uint32_t)from[i] << (8 * i);
    }
    return bits;
}

double book_get_float(const unsigned char *from) {
    const uint32_t bits = book_get_bits(from);
    float value = 0.0F;
    memcpy(&value, &bits, sizeof value);
    return (double)value;
}

double book_get_double(const unsigned char *from) {
    const uint64_t bits = (uint64_t)book_get_bits(from + 4) << 32 | book_get_bits(from);
    double value = 0.0;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static enum nw_status unpack(const unsigned char *bytes, size_t n_bytes, struct nw_measure *to,
                             struct nw_err *err) {
    const size_t n = bytes ? n_bytes / BOOK_STAR_BYTES : 0;
    to->stars = nw_calloc(n + 1, sizeof *to->stars);
    if (!to->stars) {
        return nw_err_set(err, NW_NOMEM, "%zu stars", n);
    }
    for (size_t i = 0; i < n; i++) {
        const unsigned char *const from = bytes + BOOK_STAR_BYTES * i;
        to->stars[i] = (struct nw_star){.x_px = book_get_float(from),
                                        .y_px = book_get_float(from + 4),
                                        .flux_adu = book_get_float(from + 8),
                                        .flux_sigma_adu = book_get_float(from + 12),
                                        .flags = book_get_bits(from + 16)};
    }
    to->n_stars = n;
    return NW_OK;
}

enum nw_status book_read_stars(struct nw_book *book, int64_t frame, const char *channel,
                               struct nw_measure *to, struct nw_err *err) {
    const struct book_value values[] = {book_int(frame), book_text(channel)};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status =
        book_prepare(book, "SELECT stars FROM star_list WHERE frame_id = ?1 AND channel = ?2",
                     values, 2, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        status = unpack(sqlite3_column_blob(statement, 0),
                        (size_t)sqlite3_column_bytes(statement, 0), to, err);
    }
    (void)sqlite3_finalize(statement);
    return status;
}
