/* cmd_measure.c - `measure FRAME...`: star images, sky and noise of each frame. */
#include "cli/cli.h"
#include "report/report.h"

static const struct cli_option OPTIONS[] = {
    {.name = "stars",
     .kind = CLI_TEXT,
     .value = "FILE.csv",
     .help = "write every star into a table"},
    {.name = "threads",
     .kind = CLI_COUNT,
     .value = "N",
     .help = "frames side by side, else one a core",
     .min = 1,
     .max = 256},
    {.name = "colour",
     .kind = CLI_CHOICE,
     .value = "R|G|B",
     .help = "of colour frames this colour alone, else all three"},
    {.name = "pattern",
     .kind = CLI_CHOICE,
     .value = "RGGB|BGGR|GRBG|GBRG",
     .help = "the colour filters over the pixels, when the header does not say"},
    {.name = "gain",
     .kind = CLI_NUMBER,
     .value = "E_PER_ADU",
     .help = "electrons per ADU, when the header does not say",
     .min = 1e-6,
     .max = 1e6},
    {.name = "read-noise",
     .kind = CLI_NUMBER,
     .value = "ELECTRONS",
     .help = "read noise of a pixel, when the header does not say",
     .min = 1e-6,
     .max = 1e6},
    {.name = "offset",
     .kind = CLI_NUMBER,
     .value = "ADU",
     .help = "level of a frame without light: with gain and read noise it tells which noise is "
             "to be expected",
     .min = 1e-6,
     .max = 1e9},
    {0},
};

/* The first frame that failed, and how many did; nothing is reported unless all worked. */
static enum nw_status all_worked(const struct nw_series *series, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < series->n; i++) {
        const struct nw_series_item *const item = &series->items[i];
        if (item->status == NW_OK) {
            continue;
        }
        if (status != NW_OK) {
            cli_say_error(&item->err); /* one line each; the first is said by the program */
            continue;
        }
        status = item->status == NW_DATA ? NW_FORMAT : item->status; /* the input, not the work */
        *err = item->err;
    }
    return status;
}

/* Of every channel by itself; result 3 * frame + channel. */
static enum nw_status transmissions(const struct nw_series *series, struct nw_transmission **ret,
                                    struct nw_err *err) {
    const size_t n = series->n;
    struct nw_transmission *const all = nw_calloc(3 * n, sizeof *all);
    struct nw_transmission *const one = nw_calloc(n, sizeof *one);
    const struct nw_measure **const measures = nw_calloc(n, sizeof(const struct nw_measure *));
    double *const exposure_s = nw_calloc(n, sizeof *exposure_s);
    size_t *const index = nw_calloc(n, sizeof *index);
    enum nw_status status = NW_OK;
    if (!all || !one || !measures || !exposure_s || !index) {
        status = nw_err_set(err, NW_NOMEM, "transmission of %zu frames", n);
    }
    for (size_t k = 0; k < 3 && status == NW_OK; k++) {
        size_t count = 0;
        for (size_t i = 0; i < n; i++) {
            if (k < series->items[i].n_measures) {
                exposure_s[count] = series->items[i].frame->facts.exposure_s;
                index[count] = i;
                measures[count++] = series->items[i].measures[k];
            }
        }
        status = count > 0 ? nw_transmission_solve(measures, exposure_s, count, one, err) : NW_OK;
        for (size_t i = 0; i < count && status == NW_OK; i++) {
            all[3 * index[i] + k] = one[i];
        }
    }
    free(one);
    free(measures);
    free(exposure_s);
    free(index);
    if (status == NW_OK) {
        *ret = all;
    } else {
        free(all);
    }
    return status;
}

static enum nw_status write_stars(const char *path, const struct nw_series *series,
                                  struct nw_err *err) {
    struct nw_buf csv;
    nw_buf_init(&csv, NW_REPORT_MAX_BYTES);
    nw_report_stars_csv(series, &csv);
    const enum nw_status status = nw_buf_failed(&csv)
                                      ? nw_err_set(err, NW_NOMEM, "%s: table of stars", path)
                                      : nw_file_write_atomic(path, csv.data, csv.len, err);
    nw_buf_done(&csv);
    return status;
}

static enum nw_channel channel_of(const char *colour) {
    return !colour            ? NW_CHANNEL_MONO
           : colour[0] == 'R' ? NW_CHANNEL_R
           : colour[0] == 'G' ? NW_CHANNEL_G
                              : NW_CHANNEL_B;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const struct nw_series_opts opts = {
        .measure = {.n_threads = (int)cli_count(args, "threads", 0),
                    .gain_e_per_adu = cli_number(args, "gain", 0.0),
                    .read_noise_e = cli_number(args, "read-noise", 0.0),
                    .offset_adu = cli_number(args, "offset", 0.0)},
        .channel = channel_of(cli_text(args, "colour")),
        .pattern = cli_text(args, "pattern"),
        .may_be_cut = true,
    };
    struct cli_progress bar;
    const struct nw_progress progress = cli_progress_begin(&bar, "measuring");
    struct nw_series series = {0};
    struct nw_transmission *transmission = NULL;
    const double start_s = cli_clock_s();
    enum nw_status status =
        nw_series_measure(cli_positional(args), cli_n_args(args), &opts, &progress, &series, err);
    cli_progress_end(&bar);
    if (status == NW_OK) {
        status = all_worked(&series, err);
    }
    if (status == NW_OK && series.n > 1) {
        status = transmissions(&series, &transmission, err);
    }
    if (status == NW_OK && cli_given(args, "stars")) {
        status = write_stars(cli_text(args, "stars"), &series, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = nw_report_measure_json(&series, transmission, cli_clock_s() - start_s,
                                        &result->json, err);
    } else if (status == NW_OK) {
        nw_report_measure_text(&series, transmission, &result->text);
    }
    free(transmission);
    nw_series_done(&series);
    return status;
}

const struct cli_command CMD_MEASURE = {
    .name = "measure",
    .arguments = "FRAME...",
    .help = "star images, background and noise of frames",
    .notes =
        "FWHM is as delivered, pixel included. With several frames of one field each frame's "
        "light is compared with the best one's, from matched stars. The table of --stars has "
        "a column with the number of the frame, counted from 1. A file that was cut off behind "
        "half of its rows or later is measured as far as it goes, and flagged truncated.",
    .options = OPTIONS,
    .min_args = 1,
    .max_args = 100000,
    .priority = CLI_PRIORITY_NORMAL,
    .run = run,
};
