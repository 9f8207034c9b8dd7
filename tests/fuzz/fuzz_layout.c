/* fuzz_layout.c - any bytes as a description of logs and a log after a line "---": refused with a
 * message, or runs whose rows are in order and within reason. Without such a line the bytes are
 * read by two descriptions of our own. */
#include <math.h>

#include "fuzz.h"
#include "guiding/runs.h"

static const char OWN[] =
    "logs:\n"
    "  a: {run_start: \"*begin* {time}\", run_stop: \"*end*\", decimal: comma, separator: "
    "semicolon,\n"
    "    time_zone: \"CET-1CEST,M3.5.0,M10.5.0/3\", axes: mount, ra_error_is: axis, time_is: "
    "start,\n"
    "    header: {exposure: {name: e, unit: ms}, guide_scale: {value: 1.5 arcsec}, declination: "
    "d,\n"
    "      ra_rate: {name: r, unit: sidereal}, tube_side: {name: s, east: 1, west: 2}},\n"
    "    columns: {time: t, ra_error: {column: x, unit: px}, dec_error: {column: y, factor: -1},\n"
    "      ra_pulse: {column: p, direction: w, plus: E, minus: W}, note: n},\n"
    "    events: {dither: \"*dither*{time}\", lost: \"*lost*\", pause: \"?{number}*\"}}\n"
    "  b: {separator: blanks, columns: {time: {column: 1, unit: s}, ra_error: 2, dec_error: 3,\n"
    "    dec_pulse: {column: 4, minus_column: 5}}}\n";

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

static void check_run(const struct nw_guide_run *run) {
    const struct nw_guide_log *const log = run->log;
    require(log->n > 0 && run->n_rows == log->n && run->n_no_star < log->n);
    require(run->n_rejects <= run->n_rejected);
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        require(isfinite(row->t_s) && (i == 0 || row->t_s >= row[-1].t_s));
        require(!(fabs(row->ra_rad) > 10.0) && !(fabs(row->ra_pulse_s) > 60.0));
    }
    (void)nw_guide_check_signs(log, 60.0);
}

static const char *find_rule(const char *bytes, size_t size) {
    for (size_t i = 0; i + 5 <= size; i++) {
        if (memcmp(bytes + i, "\n---\n", 5) == 0) {
            return bytes + i;
        }
    }
    return NULL;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    const char *const bytes = size > 0 ? (const char *)data : "";
    const char *const rule = find_rule(bytes, size);
    const char *const text = rule ? bytes : OWN;
    const size_t text_len = rule ? (size_t)(rule - bytes) + 1 : strlen(OWN);
    const char *const log = rule ? rule + 5 : bytes;
    struct nw_err err = {0};
    struct nw_log_layout *layouts = NULL;
    struct nw_guide_layouts all = {0};
    struct nw_guide_runs *runs = NULL;
    if (nw_rig_parse_layouts("l.yaml", text, text_len, &layouts, &all.n, &err) != NW_OK) {
        require(!layouts && strlen(err.text) > 0 && rule);
        return 0;
    }
    all.items = layouts;
    if (nw_guide_parse_runs("night.txt", log, (size_t)(bytes + size - log), &all, &runs, &err) ==
        NW_OK) {
        require(runs->n > 0);
        for (size_t i = 0; i < runs->n; i++) {
            check_run(&runs->items[i]);
        }
    } else {
        require(!runs && strlen(err.text) > 0);
    }
    nw_guide_runs_free(runs);
    free(layouts);
    return 0;
}
