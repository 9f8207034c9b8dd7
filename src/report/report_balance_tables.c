/* report_balance_tables.c - setups and selections of weights side by side, and what is left at each
 * attitude. */
#include <math.h>

#include "report/report_balance.h"

static const char *const SIDES[] = {"east", "west"};

static double polar_n_m(const struct nw_balance_report *r, const struct nw_balance *b) {
    return NW_GRAVITY_M_S2 * cos(r->rig->site.latitude_rad.v) * fabs(b->outward_kg_m);
}

void nw_report_balance_compare(const struct nw_balance_report *r, struct nw_buf *buf) {
    if (r->n_rows == 0) {
        return;
    }
    nw_buf_printf(
        buf, "\nCOMPARED, each with its tubes and weights where they balance\n"
             "                             load weights nearest  inertia, kg m2  shaft  left\n"
             "  setup, weights               kg      kg      mm   polar     dec    N m   N m\n");
    for (size_t i = 0; i < r->n_rows; i++) {
        const struct nw_balance_row *const row = &r->rows[i];
        const struct nw_balance *const b = &row->balance;
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 24, row->setup);
        if (!row->is_possible) {
            nw_buf_printf(buf, " %s\n", row->why);
            continue;
        }
        nw_report_fixed(buf, 7, b->load_kg, 1);
        nw_report_fixed(buf, 8, b->counterweight_kg, 1);
        nw_report_fixed(buf, 8, row->innermost_m * 1e3, 0);
        nw_report_fixed(buf, 8, b->ra_inertia_kg_m2, 2);
        nw_report_fixed(buf, 8, b->dec_inertia_kg_m2, 2);
        nw_report_fixed(buf, 7, b->shaft_moment_n_m, 0);
        nw_report_fixed(buf, 6, polar_n_m(r, b), 2);
        nw_buf_printf(buf, "\n    %s: %s\n", row->why, row->weights);
    }
    nw_report_paragraph(
        buf, 2,
        "Less inertia starts, stops and guides more easily; a longer shaft bends and "
        "swings more. Two heavy weights near the mount beat a light one far out: the "
        "moment is m r, the inertia m r^2.");
}

/* The moments at one attitude as it is described now. */
static struct nw_moments moments_at(const struct nw_balance_report *r, int h_deg, int dec_deg,
                                    int side) {
    const struct nw_pose pose = {h_deg * NW_RAD_PER_DEG, dec_deg * NW_RAD_PER_DEG,
                                 (enum nw_side)side};
    return nw_mount_moments(r->rig->site.latitude_rad.v, &pose, &r->closed.tube, &r->closed.axis);
}

void nw_report_balance_attitudes(const struct nw_balance_report *r, struct nw_buf *buf) {
    if (!r->has_attitudes) {
        return;
    }
    for (int side = 0; side < 2; side++) {
        nw_buf_printf(buf,
                      "\nLEFT OVER at each attitude, tube %s, N m about polar / declination axis\n"
                      "  dec    H   -6 h          -3 h           0 h          +3 h          +6 h\n",
                      SIDES[side]);
        for (int dec = -75; dec <= 75; dec += 25) {
            nw_buf_printf(buf, "%+5d", dec);
            for (int h = -90; h <= 90; h += 45) {
                const struct nw_moments m = moments_at(r, h, dec, side);
                nw_buf_printf(buf, " %+6.2f /%+6.2f", m.ra_n_m, m.dec_n_m);
            }
            nw_buf_printf(buf, "\n");
        }
    }
    nw_report_paragraph(
        buf, 2,
        "Right-handed about the polar axis (towards the pole above the horizon) and "
        "about the declination axis (towards the saddle).");
}

static void json_rows(const struct nw_balance_report *r, struct nw_json *json) {
    json_t *const list = nw_json_array(json, NULL, "compared");
    for (size_t i = 0; i < r->n_rows; i++) {
        const struct nw_balance_row *const row = &r->rows[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "setup", row->setup);
        nw_json_bool(json, o, "possible", row->is_possible);
        nw_json_text(json, o, "arrangement", row->why);
        if (!row->is_possible) {
            continue;
        }
        nw_json_text(json, o, "weights", row->weights);
        nw_json_number(json, o, "innermost_mm", row->innermost_m * 1e3, 5);
        nw_json_number(json, o, "instrument_load_kg", row->balance.load_kg, 5);
        nw_json_number(json, o, "counterweight_kg", row->balance.counterweight_kg, 5);
        nw_json_number(json, o, "inertia_kg_m2", row->balance.ra_inertia_kg_m2, 5);
        nw_json_number(json, o, "dec_inertia_kg_m2", row->balance.dec_inertia_kg_m2, 5);
        nw_json_number(json, o, "shaft_moment_n_m", row->balance.shaft_moment_n_m, 5);
        nw_json_number(json, o, "ra_left_n_m", polar_n_m(r, &row->balance), 4);
    }
}

void nw_report_balance_tables_json(const struct nw_balance_report *r, struct nw_json *json) {
    if (r->n_rows > 0) {
        json_rows(r, json);
    }
    if (!r->has_attitudes) {
        return;
    }
    json_t *const list = nw_json_array(json, NULL, "attitudes");
    for (int side = 0; side < 2; side++) {
        for (int dec = -90; dec <= 90; dec += 15) {
            for (int h = -180; h < 180; h += 15) {
                const struct nw_moments m = moments_at(r, h, dec, side);
                json_t *const o = nw_json_item(json, list);
                nw_json_number(json, o, "ha_deg", h, 6);
                nw_json_number(json, o, "dec_deg", dec, 6);
                nw_json_text(json, o, "tube_side", SIDES[side]);
                nw_json_number(json, o, "ra_moment_n_m", m.ra_n_m, 5);
                nw_json_number(json, o, "dec_moment_n_m", m.dec_n_m, 5);
            }
        }
    }
}
