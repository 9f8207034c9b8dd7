/* fuzz_guide.c - any bytes as a guide log: refused with its name, or rows in order that can be
 * analysed without a NaN where a number is promised. */
#include <math.h>

#include "fuzz.h"
#include "guiding/guiding.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

static void analyse(const struct nw_guide_log *log) {
    struct nw_err err = {0};
    struct nw_guide_analysis *a = NULL;
    if (nw_guide_analyse(log, NULL, &a, &err) != NW_OK) {
        require(!a && strlen(err.text) > 0);
        return;
    }
    require(a->n_used <= a->n_samples && a->n_samples <= log->n);
    require(isfinite(a->ra.rms_logged_rad) && isfinite(a->dec.rms_logged_rad));
    require(isfinite(a->ra.motion_in_sub_rad) || a->ra.why_null[0] != '\0');
    require(isfinite(a->dec.motion_in_sub_rad) || a->dec.why_null[0] != '\0');
    nw_guide_analysis_free(a);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct nw_err err = {0};
    struct nw_guide_log *log = NULL;
    const char *const bytes = size > 0 ? (const char *)data : "";
    if (nw_guide_parse("night.csv", bytes, size, &log, &err) == NW_OK) {
        for (size_t i = 1; i < log->n; i++) {
            require(log->rows[i].t_s >= log->rows[i - 1].t_s);
        }
        analyse(log);
    } else {
        require(!log && strncmp(err.text, "night.csv:", 10) == 0);
    }
    nw_guide_free(log);
    return 0;
}
