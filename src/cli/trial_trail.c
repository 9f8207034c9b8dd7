/* trial_trail.c - frames of a mount that stood still: read, judged one by one, joined. */
#include "cli/trial_trail.h"

#include <stdlib.h>

#include "cli/keep.h"

void cli_trail_judge(const char *path, const struct nw_rig *rig, const struct nw_setup *setup,
                     struct nw_trail_frame *ret, struct nw_frame_facts *ret_facts) {
    struct nw_frame *frame = NULL;
    struct nw_err err = {0};
    enum nw_status status = nw_frame_read(path, NULL, &frame, &err);
    if (status == NW_OK && ret_facts) {
        *ret_facts = frame->facts;
    }
    if (status == NW_OK) {
        const bool is_unsaid = frame->n_planes == 1 && frame->facts.bayer[0] == '\0';
        status = nw_trail_seeing(frame, is_unsaid ? setup->camera.pattern : frame->facts.bayer, rig,
                                 setup, &ret->seeing, &err);
    }
    ret->path = path;
    ret->is_told = status == NW_OK;
    (void)snprintf(ret->why_null, sizeof ret->why_null, "%s", status == NW_OK ? "" : err.text);
    nw_frame_free(frame);
}

static enum nw_status write(const struct cli_args *args, const struct nw_trail_report *report,
                            const struct nw_about *about, struct cli_result *result,
                            struct nw_err *err) {
    json_t *document = NULL;
    if (!cli_wants_json(args)) {
        nw_report_trail_text(report, &result->text);
    }
    if (!cli_wants_document(args)) {
        return NW_OK;
    }
    const enum nw_status status = nw_report_trail_json(report, &document, err);
    return status == NW_OK ? cli_document(args, about, document, result, err) : status;
}

enum nw_status cli_trial_trail(const struct cli_args *args, const struct nw_trial *card,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct cli_result *result, struct nw_err *err) {
    size_t n_given = 0;
    const char *const *given = cli_texts(args, "frames", &n_given);
    struct nw_paths paths = {0};
    struct nw_trail_frame *frames = NULL;
    struct nw_trail_seeing *told = NULL;
    struct nw_about about;
    struct nw_trail_report report = {.card = card, .assumed_rad = rig->site.seeing_rad};
    enum nw_status status = cli_frame_paths(given, n_given, &paths, err);
    if (status != NW_OK) {
        goto done;
    }
    frames = nw_calloc(paths.n, sizeof *frames);
    told = nw_calloc(paths.n, sizeof *told);
    if (!frames || !told) {
        status = nw_err_set(err, NW_NOMEM, "%zu frames of a trial", paths.n);
        goto done;
    }
    nw_about_init(&about, rig, setup);
    for (size_t i = 0; i < paths.n; i++) {
        struct nw_frame_facts facts;
        cli_trail_judge(paths.items[i], rig, setup, &frames[i], &facts);
        if (frames[i].is_told) {
            nw_about_add(&about, &facts);
            told[report.n_told++] = frames[i].seeing;
        }
    }
    if (report.n_told == 0) {
        status = nw_err_set(err, NW_DATA, "%s: %s", frames[0].path, frames[0].why_null);
        goto done;
    }
    report.frames = frames;
    report.n = paths.n;
    report.mean = nw_trail_seeing_join(told, report.n_told);
    status = write(args, &report, &about, result, err);
done:
    free(frames);
    free(told);
    nw_paths_done(&paths);
    return status;
}
