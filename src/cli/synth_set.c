/* synth_set.c - the part of `synth` that writes bias, dark and flat frames. */
#include "cli/synth_set.h"
#include "report/report.h"
#include "rig/rig.h"
#include "synth/calibration.h"

enum nw_status cli_synth_written(const struct cli_args *args, size_t n, const char *kind,
                                 struct cli_result *result, struct nw_err *err) {
    const char *const folder = cli_text(args, "output");
    if (!cli_wants_json(args)) {
        nw_buf_printf(&result->text, "%zu %s and truth.json written to %s\n", n, kind, folder);
        return NW_OK;
    }
    struct nw_json json;
    nw_json_begin(&json, "synth", 1);
    nw_json_text(&json, NULL, "folder", folder);
    nw_json_count(&json, NULL, "frames", n);
    nw_json_text(&json, NULL, "truth", "truth.json");
    return nw_json_end(&json, &result->json, err);
}

enum nw_status cli_synth_set(const struct cli_args *args, size_t width_px, size_t height_px,
                             struct cli_result *result, struct nw_err *err) {
    struct nw_synth_chip_opts opts = {
        .seed = (uint64_t)cli_count(args, "seed", 1),
        .width_px = width_px,
        .height_px = height_px,
        .n_threads = (int)cli_count(args, "threads", 0),
    };
    const char *const folder = cli_text(args, "output");
    const char first = cli_text(args, "set")[0];
    const bool is_panel = first == 'p';
    struct nw_rig *rig = NULL;
    size_t n = 0;
    opts.inject = cli_texts(args, "inject", &opts.n_inject);
    enum nw_status status = nw_rig_read(cli_arg(args, 0), NULL, 0, &rig, err);
    if (status == NW_OK) {
        status = nw_synth_calibration(rig, cli_text(args, "setup"),
                                      is_panel       ? NW_SYNTH_SET_PANEL
                                      : first == 'd' ? NW_SYNTH_SET_DARKS
                                                     : NW_SYNTH_SET_SENSOR,
                                      &opts, folder, &n, err);
    }
    nw_rig_free(rig);
    if (status != NW_OK) {
        return status;
    }
    return cli_synth_written(
        args, n, is_panel ? "biases and flats of a light panel" : "bias, dark and flat frames",
        result, err);
}

enum nw_status cli_synth_set_list(const struct cli_args *args, struct cli_result *result,
                                  struct nw_err *err) {
    struct nw_synth_chip_fault item;
    struct nw_json json = {0};
    json_t *list = NULL;
    if (cli_wants_json(args)) {
        nw_json_begin(&json, "synth", 1);
        list = nw_json_array(&json, NULL, "injectable");
    }
    for (size_t i = 0; nw_synth_chip_fault_at(i, &item); i++) {
        if (list) {
            json_t *const o = nw_json_item(&json, list);
            nw_json_text(&json, o, "name", item.name);
            nw_json_number(&json, o, "low", item.low, 6);
            nw_json_number(&json, o, "high", item.high, 6);
            nw_json_number(&json, o, "usual", item.usual, 6);
            nw_json_text(&json, o, "meaning", item.meaning);
        } else {
            nw_buf_printf(&result->text, "%-17s %g to %g, else %g\n    %s\n", item.name, item.low,
                          item.high, item.usual, item.meaning);
        }
    }
    return list ? nw_json_end(&json, &result->json, err) : NW_OK;
}
