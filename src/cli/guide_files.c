/* guide_files.c - see guide_files.h */
#include "cli/guide_files.h"

void guide_files_done(struct guide_files *files) {
    for (size_t i = 0; i < files->n; i++) {
        nw_guide_analysis_free(files->results[i].analysis);
    }
    for (size_t i = 0; i < files->n_files; i++) {
        nw_guide_runs_free(files->files[i]);
    }
    free(files->results);
    free(files->files);
    free(files->layouts);
    *files = (struct guide_files){0};
}

static enum nw_status read_files(const struct guide_request *request, struct guide_files *files,
                                 struct nw_err *err) {
    enum nw_status status = NW_OK;
    if (request->rig) {
        status = cli_rig_layouts(request->rig, &files->layouts, &files->n_layouts, err);
    }
    const struct nw_guide_layouts layouts = {files->layouts, files->n_layouts, request->layout};
    files->files = nw_calloc(request->n_paths, sizeof(struct nw_guide_runs *));
    if (!files->files) {
        return nw_err_set(err, NW_NOMEM, "%zu logs", request->n_paths);
    }
    for (size_t i = 0; i < request->n_paths && status == NW_OK; i++) {
        status = nw_guide_read_runs(request->paths[i], &layouts, &files->files[i], err);
        files->n_files += status == NW_OK ? 1 : 0;
    }
    return status;
}

static enum nw_status analyse_run(const struct guide_request *request, struct guide_files *files,
                                  size_t file, size_t run) {
    struct nw_guide_result *const r = &files->results[files->n++];
    struct nw_err why = {0};
    *r = (struct nw_guide_result){.file = files->files[file], .number = run + 1};
    const enum nw_status status =
        nw_guide_analyse(r->file->items[run].log, &request->opts, &r->analysis, &why);
    nw_text_copy(r->why, sizeof r->why, why.text);
    return status;
}

enum nw_status guide_files_read(const struct guide_request *request, struct guide_files *ret,
                                struct nw_err *err) {
    struct guide_files files = {0};
    enum nw_status first = NW_OK;
    enum nw_status status = read_files(request, &files, err);
    size_t n = 0;
    bool is_any = false;
    for (size_t i = 0; i < files.n_files && status == NW_OK; i++) {
        n += files.files[i]->n;
    }
    files.results = nw_calloc(n + 1, sizeof *files.results);
    if (status == NW_OK && !files.results) {
        status = nw_err_set(err, NW_NOMEM, "%zu runs", n);
    }
    for (size_t i = 0; i < files.n_files && status == NW_OK; i++) {
        for (size_t k = 0; k < files.files[i]->n; k++) {
            if (request->run > 0 && request->run != k + 1) {
                continue;
            }
            const enum nw_status got = analyse_run(request, &files, i, k);
            const struct nw_guide_analysis *const a = files.results[files.n - 1].analysis;
            first = first == NW_OK ? got : first;
            if (a && (!is_any || a->n_used > files.results[files.longest].analysis->n_used)) {
                files.longest = files.n - 1;
                is_any = true;
            }
        }
    }
    if (status == NW_OK && files.n == 0) {
        status = nw_err_set(err, NW_USAGE, "--run %zu: no log has as many runs", request->run);
    } else if (status == NW_OK && !is_any) {
        status = nw_err_set(err, first, "%s", files.results[0].why);
    }
    if (status == NW_OK) {
        *ret = files;
    } else {
        guide_files_done(&files);
    }
    return status;
}
