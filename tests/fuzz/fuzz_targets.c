/* fuzz_targets.c - any bytes as a targets file: refused with the file's name, or targets that have
 * what the plan relies on. */
#include <math.h>

#include "fuzz.h"
#include "rig/targets.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    char *const text = malloc(size + 1);
    struct nw_targets *targets = NULL;
    struct nw_err err = {0};
    if (!text) {
        return 0;
    }
    if (size > 0) {
        memcpy(text, data, size);
    }
    text[size] = '\0';
    if (nw_targets_parse("t.yaml", text, size, &targets, &err) == NW_OK) {
        require(targets->n >= 1);
        for (size_t i = 0; i < targets->n; i++) {
            const struct nw_target *const t = &targets->items[i];
            require(t->n_goals >= 1 && t->priority >= 1 && t->priority <= 5);
            require(t->object[0] || (isfinite(t->ra_rad) && fabs(t->dec_rad) < 1.5708));
            require(isfinite(t->min_altitude_rad) && t->columns >= 1.0 && t->rows >= 1.0);
        }
        require(isfinite(nw_targets_horizon_rad(targets, 1.0)));
    } else {
        require(!targets && strstr(err.text, "t.yaml"));
    }
    nw_targets_free(targets);
    free(text);
    return 0;
}
