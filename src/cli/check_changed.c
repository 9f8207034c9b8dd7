/* check_changed.c - the rig as each of its changes would make it. */
#include "cli/check_internal.h"

void check_changed_done(struct check_changed *changed) {
    for (size_t i = 0; i < changed->n; i++) {
        nw_rig_free(changed->rigs[i].rig);
    }
    free(changed->rigs);
    free(changed->items);
    *changed = (struct check_changed){0};
}

/* Overrides of the caller, then those of the change. */
static enum nw_status read_changed(const char *path, const char *const *sets, size_t n_sets,
                                   const struct nw_change *change, struct nw_rig **ret,
                                   struct nw_err *err) {
    enum nw_status status = NW_OK;
    const size_t n = n_sets + change->n_settings;
    const char **overrides = nw_calloc(n + 1, sizeof *overrides);
    struct nw_buf *texts = nw_calloc(change->n_settings + 1, sizeof *texts);
    if (!overrides || !texts) {
        status = nw_err_set(err, NW_NOMEM, "%zu overrides", n);
        goto done;
    }
    for (size_t i = 0; i < n_sets; i++) {
        overrides[i] = sets[i];
    }
    for (size_t i = 0; i < change->n_settings; i++) {
        nw_buf_init(&texts[i], 4096);
        nw_buf_printf(&texts[i], "%s=%s", change->settings[i].path, change->settings[i].value);
        overrides[n_sets + i] = nw_buf_failed(&texts[i]) ? "" : texts[i].data;
    }
    status = nw_rig_read(path, overrides, n, ret, err);
    if (status != NW_OK) {
        status = nw_err_at(err, status, "change '%s'", change->name);
    }
done:
    for (size_t i = 0; texts && i < change->n_settings; i++) {
        nw_buf_done(&texts[i]);
    }
    free(texts);
    free(overrides);
    return status;
}

enum nw_status check_alternatives(const char *path, const char *const *sets, size_t n_sets,
                                  const struct nw_setup *setup, struct check_changed *ret,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    ret->items = nw_calloc(setup->n_changes + 1, sizeof *ret->items);
    ret->rigs = nw_calloc(setup->n_changes + 1, sizeof *ret->rigs);
    if (!ret->items || !ret->rigs) {
        return nw_err_set(err, NW_NOMEM, "%zu changes", setup->n_changes);
    }
    for (size_t i = 0; i < setup->n_changes && status == NW_OK; i++) {
        status = read_changed(path, sets, n_sets, &setup->changes[i], &ret->rigs[i].rig, err);
        if (status == NW_OK) {
            ret->n = i + 1;
            ret->items[i] =
                (struct nw_star_alternative){.change = &setup->changes[i],
                                             .rig = ret->rigs[i].rig,
                                             .setup = nw_rig_setup(ret->rigs[i].rig, setup->name)};
        }
    }
    return status;
}
