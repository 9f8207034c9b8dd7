/* guide_files.h - shared by the commands that read guide logs: files, layouts, runs. */
#ifndef NW_CLI_GUIDE_FILES_H
#define NW_CLI_GUIDE_FILES_H

#include "cli/cli.h"
#include "guiding/runs.h"

/* All runs of all files, analysed. */
struct guide_files {
    struct nw_log_layout *layouts;
    size_t n_layouts;
    struct nw_guide_runs **files;
    size_t n_files;
    struct nw_guide_result *results; /* in order of files and runs; only --run N where given */
    size_t n, longest;               /* the one with most samples used */
};
/* `paths`: the logs; rig NULL: CSV only; which: name of a layout or NULL; run: from 1, 0 = all. A
 * run that cannot be analysed is kept with its reason while another can; else its error. */
struct guide_request {
    const char *const *paths;
    size_t n_paths;
    const char *rig, *layout;
    size_t run;
    struct nw_guide_opts opts;
};
enum nw_status guide_files_read(const struct guide_request *request, struct guide_files *ret,
                                struct nw_err *err) NW_CHECKED;
void guide_files_done(struct guide_files *files);

#endif
