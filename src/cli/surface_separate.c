/* surface_separate.c - frames grouped by rotator angle and tube side, a surface for each group. */
#include "cli/surface_internal.h"

#include <math.h>

static int side_of(const struct nw_field_frame *frame) {
    return strcmp(frame->tube_side, "east") == 0   ? 1
           : strcmp(frame->tube_side, "west") == 0 ? -1
                                                   : 0;
}

static bool is_alike(const struct nw_field_frame *a, const struct nw_field_frame *b) {
    static const double SAME_RAD = 2.0 * NW_RAD_PER_DEG;
    const double turn = remainder(a->rotator_rad - b->rotator_rad, 2.0 * NW_PI);
    return side_of(a) == side_of(b) && !(fabs(turn) > SAME_RAD);
}

static enum nw_status check_groups(const struct cli_surface_groups *groups, bool is_separate,
                                   struct nw_err *err) {
    if (groups->n > 1 && !is_separate) {
        return nw_err_set(
            err, NW_USAGE,
            "%s: other rotator angle or tube side than %s; give --separate to compare "
            "the sets, or one set alone",
            groups->frames[groups->start[1]].path, groups->frames[0].path);
    }
    if (groups->n == 1 && is_separate) {
        return nw_err_set(err, NW_USAGE,
                          "--separate: all frames have one rotator angle and tube side in their "
                          "headers (ROTATANG, PIERSIDE); nothing to compare");
    }
    return NW_OK;
}

enum nw_status cli_surface_group(const struct cli_surface_set *set, bool is_separate,
                                 struct cli_surface_groups *ret, struct nw_err *err) {
    struct cli_surface_groups groups = {.n = 0};
    bool *const taken = nw_calloc(set->n, sizeof *taken);
    enum nw_status status = NW_OK;
    groups.frames = nw_calloc(set->n, sizeof *groups.frames);
    if (!taken || !groups.frames) {
        status = nw_err_set(err, NW_NOMEM, "groups of %zu frames", set->n);
        goto done;
    }
    size_t n = 0;
    for (size_t i = 0; i < set->n; i++) {
        if (taken[i]) {
            continue;
        }
        if (groups.n == CLI_SURFACE_GROUPS_MAX) {
            status = nw_err_set(err, NW_LIMIT, "more than %d sets of rotator angle and tube side",
                                CLI_SURFACE_GROUPS_MAX);
            goto done;
        }
        for (size_t k = i; k < set->n; k++) {
            if (!taken[k] && is_alike(&set->frames[i], &set->frames[k])) {
                taken[k] = true;
                groups.frames[n++] = set->frames[k];
            }
        }
        groups.start[++groups.n] = n;
    }
    status = check_groups(&groups, is_separate, err);
    if (status == NW_OK) {
        *ret = groups;
        groups.frames = NULL;
    }
done:
    free(taken);
    free(groups.frames);
    return status;
}

enum nw_status cli_surface_separate(struct cli_surface_groups *groups,
                                    const struct nw_field_opts *opts, struct nw_err *err) {
    for (size_t i = 0; i < groups->n; i++) {
        const struct nw_field_frame *const first = &groups->frames[groups->start[i]];
        const size_t n = groups->start[i + 1] - groups->start[i];
        const enum nw_status status = nw_field_surface(first, n, opts, &groups->surfaces[i], err);
        if (status != NW_OK) {
            return status;
        }
        groups->sets[i] = (struct nw_field_set){&groups->surfaces[i], first->rotator_rad,
                                                side_of(first), first->altitude_rad};
    }
    return groups->n > 1 ? nw_field_separate(groups->sets, groups->n, &groups->split, err) : NW_OK;
}

void cli_surface_groups_done(struct cli_surface_groups *groups) {
    for (size_t i = 0; i < groups->n; i++) {
        nw_surface_done(&groups->surfaces[i]);
    }
    free(groups->frames);
    *groups = (struct cli_surface_groups){.n = 0};
}
