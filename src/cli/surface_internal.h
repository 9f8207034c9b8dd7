/* surface_internal.h - shared by the files of `surface` only. */
#ifndef NW_CLI_SURFACE_INTERNAL_H
#define NW_CLI_SURFACE_INTERNAL_H

#include "cli/cli.h"
#include "field/field.h"
#include "field/sets.h"
#include "field/shims.h"
#include "rig/rig.h"

/* Frames of one set, measured; paths borrowed from the command line. */
struct cli_surface_set {
    struct nw_series series;
    struct nw_field_frame *frames;
    size_t n;
};
enum nw_status cli_surface_load(const struct cli_args *args, const char *const *paths, size_t n,
                                struct cli_surface_set *ret, struct nw_err *err) NW_CHECKED;
void cli_surface_set_done(struct cli_surface_set *set);

/* What options, rig (NULL: none) and header say about optics and focuser, in this order. */
struct cli_surface_facts {
    struct nw_field_opts opts;
    double travel_factor, thermal_m_K;
    bool is_travel_assumed;
};
enum nw_status cli_surface_facts(const struct cli_args *args, const struct nw_setup *setup,
                                 const struct nw_frame_facts *header, struct cli_surface_facts *ret,
                                 struct nw_err *err) NW_CHECKED;

/* Frames of one rotator angle and tube side each; the first group is that of the first frame. */
enum { CLI_SURFACE_GROUPS_MAX = 16 };
struct cli_surface_groups {
    size_t n, start[CLI_SURFACE_GROUPS_MAX + 1]; /* of group i in frames */
    struct nw_field_frame *frames; /* shallow copies in the order of groups; of `set` */
    struct nw_surface surfaces[CLI_SURFACE_GROUPS_MAX];
    struct nw_field_set sets[CLI_SURFACE_GROUPS_MAX];
    struct nw_field_split split;
};
/* USAGE: several groups without --separate, one with it. */
enum nw_status cli_surface_group(const struct cli_surface_set *set, bool is_separate,
                                 struct cli_surface_groups *ret, struct nw_err *err) NW_CHECKED;
/* The surface of each, and what they say together. */
enum nw_status cli_surface_separate(struct cli_surface_groups *groups,
                                    const struct nw_field_opts *opts,
                                    struct nw_err *err) NW_CHECKED;
void cli_surface_groups_done(struct cli_surface_groups *groups);

/* Shims for the setup's screws; without them `why` says the reason. turned "SCREW=MM" with
 * `after`: learns the axes and proposes shims for the state after all turns. Several turns: as
 * many sets of frames after them, in the order of the turns. */
struct cli_surface_shims {
    bool has_shims;
    char why[200];
    struct nw_shims plain, mirrored;
    struct nw_shim_response response;
};
struct cli_surface_turns {
    const char *const *texts;
    size_t n;
    struct nw_surface after[NW_SHIM_TURNS_MAX];
};
enum nw_status cli_surface_shims(const struct cli_surface_turns *turns,
                                 const struct nw_setup *setup,
                                 const struct cli_surface_facts *facts,
                                 const struct nw_surface *surface, struct cli_surface_shims *ret,
                                 struct nw_err *err) NW_CHECKED;

#endif
