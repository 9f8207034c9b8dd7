/* cmd_rig.c - `rig RIG`: what was understood; `rig --keys`: every key; `rig --draft FOLDER`: a
 * starter file. */
#include <sys/stat.h>

#include "cli/cli.h"
#include "cli/rig_internal.h"

static const struct cli_option OPTIONS[] = {
    {.name = "setup",
     .kind = CLI_TEXT,
     .value = "NAME",
     .help = "the setup to show, else the first"},
    {.name = "set",
     .kind = CLI_TEXT,
     .value = "PATH=VALUE",
     .help = "change a value before it is checked: site.seeing='1.5 arcsec'",
     .is_repeatable = true},
    {.name = "keys", .help = "every key of a rig file: what it holds, its default, its meaning"},
    {.name = "markdown", .help = "with --keys: as a Markdown page"},
    {.name = "draft",
     .kind = CLI_TEXT,
     .value = "FOLDER",
     .help = "write a commented starter file from the headers of the frames in FOLDER"},
    {.name = "output",
     .letter = 'o',
     .kind = CLI_TEXT,
     .value = "FILE",
     .help = "with --draft: into a new file; one that exists is never overwritten"},
    {0},
};

static enum nw_status show(const struct cli_args *args, struct cli_result *result,
                           struct nw_err *err) {
    size_t n_set = 0;
    const char *const *const set = cli_texts(args, "set", &n_set);
    const char *const name = cli_text(args, "setup");
    struct nw_rig *rig = NULL;
    enum nw_status status = nw_rig_read(cli_arg(args, 0), set, n_set, &rig, err);
    if (status == NW_OK) { /* also for JSON: it refuses a setup that is not there */
        status = nw_rig_describe(rig, name, &result->text, err);
    }
    if (status == NW_OK && cli_wants_json(args)) {
        status = cli_rig_json(rig, nw_rig_setup(rig, name), &result->json, err);
    }
    nw_rig_free(rig);
    return status;
}

static enum nw_status draft(const struct cli_args *args, struct cli_result *result,
                            struct nw_err *err) {
    const char *const path = cli_text(args, "output");
    struct stat there;
    if (path && lstat(path, &there) == 0) {
        return nw_err_set(err, NW_USAGE, "%s exists; a draft overwrites nothing, name a new file",
                          path);
    }
    if (cli_wants_json(args)) {
        return nw_err_set(err, NW_USAGE, "a draft is YAML; --json does not go with --draft");
    }
    struct nw_rig_facts facts;
    enum nw_status status = cli_rig_facts(cli_text(args, "draft"), &facts, err);
    if (status == NW_OK) {
        status = nw_rig_draft(&facts, &result->text, err);
    }
    if (status == NW_OK && path) {
        status = nw_file_write_atomic(path, result->text.data, result->text.len, err);
        nw_buf_done(&result->text);
        nw_buf_init(&result->text, 1024);
        nw_buf_printf(&result->text, "%s: drafted from %zu frames; look for REPLACE in it\n", path,
                      facts.n_frames);
    }
    return status;
}

static enum nw_status run(const struct cli_args *args, struct cli_result *result,
                          struct nw_err *err) {
    const bool wants_keys = cli_given(args, "keys");
    const bool wants_draft = cli_given(args, "draft");
    if ((int)wants_keys + (int)wants_draft + (int)(cli_n_args(args) > 0) != 1) {
        return nw_err_set(err, NW_USAGE, "expected one of: a rig file, --keys, or --draft FOLDER");
    }
    if ((cli_given(args, "markdown") && !wants_keys) ||
        (cli_given(args, "output") && !wants_draft)) {
        return nw_err_set(err, NW_USAGE, "--markdown goes with --keys, -o with --draft");
    }
    if (wants_draft) {
        return draft(args, result, err);
    }
    if (wants_keys) {
        return cli_wants_json(args) ? cli_rig_keys_json(&result->json, err)
                                    : nw_rig_keys(cli_given(args, "markdown"), &result->text, err);
    }
    return show(args, result, err);
}

const struct cli_command CMD_RIG = {
    .name = "rig",
    .arguments = "RIG | --keys | --draft FOLDER",
    .help = "what was understood of a rig file; its keys; a draft from frames",
    .notes = "'rig RIG' says what was understood and what is assumed. 'rig --keys' lists every "
             "key. 'rig --draft FOLDER -o rig.yaml' writes a starter file from frame headers; it "
             "works as it stands, and says what to replace.\n"
             "Names of parts stand in a path as they stand in the file, dots and blanks included: "
             "--set 'correctors.reducer 0.8x.magnification=0.79'.",
    .options = OPTIONS,
    .min_args = 0,
    .max_args = 1,
    .run = run,
};
