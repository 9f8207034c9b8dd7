/* report_balance.h - the balance of one setup, as text and as JSON. */
#ifndef NW_REPORT_BALANCE_H
#define NW_REPORT_BALANCE_H

#include "mount/mount.h"
#include "report/report.h"

/* A moment that the owner measured, and what it changed. */
struct nw_balance_found {
    int along; /* as of nw_balance_learn */
    double moment_n_m, sigma_n_m;
    double off_sigma; /* prediction against finding, sigmas */
};

/* One arrangement of one setup: tubes where they balance, one selection of weights. */
struct nw_balance_row {
    char setup[NW_NAME_SIZE];
    char weights[96]; /* names */
    const char *why;  /* "least inertia", "most inertia", or why there is none */
    bool is_possible;
    double innermost_m; /* distance of the nearest weight's middle from the axes */
    struct nw_balance balance;
};

/* All borrowed. */
struct nw_balance_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_body *bodies; /* of this setup, corrected by what was found */
    const struct nw_body *as_given;
    size_t n_bodies;
    struct nw_balance closed, open; /* open: only where something has a hinge */
    bool has_hinge;
    struct nw_balance_plan plan;
    struct nw_weights weights;
    const struct nw_balance_found *found;
    size_t n_found;
    const struct nw_balance_row *rows; /* of all setups, to be compared; n_rows 0: not asked */
    size_t n_rows;
    bool has_attitudes; /* what is left at a raster of attitudes is asked for */
    double keep_n_m;    /* wanted moment about the polar axis, shaft level, + tube end heavy */
};

/* The tables of --compare and --attitudes (report_balance_tables.c). */
void nw_report_balance_compare(const struct nw_balance_report *report, struct nw_buf *buf);
void nw_report_balance_attitudes(const struct nw_balance_report *report, struct nw_buf *buf);
void nw_report_balance_tables_json(const struct nw_balance_report *report, struct nw_json *json);

void nw_report_balance_text(const struct nw_balance_report *report, struct nw_buf *buf);
enum nw_status nw_report_balance_json(const struct nw_balance_report *report, json_t **ret,
                                      struct nw_err *err) NW_CHECKED;

#endif
