/* pack.c - numbers as bytes, little-endian on every machine. */
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
