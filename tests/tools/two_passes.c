/* two_passes.c - the least that any program does with a 16-bit frame: read it, and pass over its
 * pixels twice (mean, then scatter). Plain C with nothing clever: bench/measure.py sets the
 * command against it.
 * usage: two_passes FILE   (one header block of 2880 bytes, BZERO 32768) */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { HEADER_BYTES = 2880 };

static double value(const unsigned char *bytes, size_t i) {
    return (double)((((unsigned)bytes[2 * i] << 8) | bytes[2 * i + 1]) ^ 0x8000u);
}

int main(int argc, char **argv) {
    FILE *const file = argc > 1 ? fopen(argv[1], "rb") : NULL;
    long end = 0;
    if (!file || fseek(file, 0, SEEK_END) != 0 || (end = ftell(file)) <= HEADER_BYTES ||
        fseek(file, HEADER_BYTES, SEEK_SET) != 0) {
        (void)fprintf(stderr, "usage: two_passes FILE\n");
        return 1;
    }
    const size_t n_bytes = (size_t)end - HEADER_BYTES;
    unsigned char *const bytes = malloc(n_bytes);
    const size_t n = bytes ? fread(bytes, 1, n_bytes, file) / 2 : 0;
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += value(bytes, i);
    }
    const double mean = n > 0 ? sum / (double)n : (double)NAN;
    double sum2 = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum2 += (value(bytes, i) - mean) * (value(bytes, i) - mean);
    }
    (void)printf("%zu pixels, mean %g, scatter %g\n", n, mean, sqrt(sum2 / (double)n));
    free(bytes);
    (void)fclose(file);
    return n > 0 ? 0 : 1;
}
