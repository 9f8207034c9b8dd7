/* fuzz_quantity.c - any text as a quantity of the dimension the first byte names, and as a time:
 * refused with a text, or a finite value. */
#include <math.h>

#include "base/base.h"
#include "fuzz.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size == 0) {
        return 0;
    }
    char *const text = malloc(size);
    if (!text) {
        return 0;
    }
    memcpy(text, data + 1, size - 1);
    text[size - 1] = '\0';
    const enum nw_dim dim = (enum nw_dim)(data[0] % (NW_DIM_DATA_SIZE + 1));
    struct nw_err err = {0};
    double value = (double)NAN;
    if (nw_quantity_read(text, dim, &value, &err) == NW_OK) {
        require(isfinite(value));
    } else {
        require(strlen(err.text) > 0);
    }
    err = (struct nw_err){0};
    double t_utc_s = (double)NAN;
    if (nw_time_read_iso(text, 0.0, &t_utc_s, &err) == NW_OK) {
        char written[32];
        nw_time_write_iso(t_utc_s, 6, written, sizeof written);
        require(isfinite(t_utc_s));
    } else {
        require(strlen(err.text) > 0);
    }
    free(text);
    return 0;
}
