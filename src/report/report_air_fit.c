/* report_air_fit.c - what a climate log says of the shed, beside what the rig file says. */
#include "report/report_air.h"

#include <math.h>

#define PER_HOUR 3600.0
enum { MOST = 9 };

/* One estimate: how it is called, its unit, what the rig file has. */
struct row {
    const char *key, *label, *unit;
    const struct nw_air_estimate *e;
    double scale, rig;
};

static size_t rows_of(const struct nw_air_report *r, struct row rows[MOST]) {
    const struct nw_air_fit *const f = r->fit;
    const struct nw_air_model *const m = &r->night->model;
    const struct nw_air_weather w = nw_air_log_weather(r->log, r->log->t_s[0]);
    const double room_W_K =
        m->has_room ? nw_air_box_loss_W_K(&m->room, w.air_K, w.pressure_Pa) : NAN;
    const double cover_W_K =
        m->has_cover ? nw_air_box_loss_W_K(&m->cover, w.air_K, w.pressure_Pa) : NAN;
    const double room_s = m->has_room ? m->room_capacity_J_K / room_W_K : NAN;
    const struct row all[MOST] = {
        {"room_time_h", "room, time constant", "h", &f->room_time_s, 1.0 / PER_HOUR, room_s},
        {"room_loss_w_per_k", "room, heat lost", "W/K", &f->room_loss_W_K, 1.0, room_W_K},
        {"room_capacity_kj_per_k", "room, heat capacity", "kJ/K", &f->room_capacity_J_K, 1e-3,
         m->has_room ? m->room_capacity_J_K : NAN},
        {"air_changes_per_h", "room, air changes", "1/h", &f->air_changes_per_s, PER_HOUR,
         m->has_room ? m->room.air_changes_per_s : NAN},
        {"water_buffer_kg", "room, water of walls", "kg", &f->water_buffer_kg, 1.0,
         m->has_room ? m->buffer_kg : NAN},
        {"dryer_g_per_h", "dryer takes", "g/h", &f->dryer_kg_s, 1e3 * PER_HOUR,
         m->dryer_kg_s > 0.0 ? m->dryer_kg_s : NAN},
        {"cover_time_h", "cover, time constant", "h", &f->cover_time_s, 1.0 / PER_HOUR,
         m->has_cover ? m->cover_capacity_J_K / cover_W_K : NAN},
        {"cover_loss_w_per_k", "cover, heat lost", "W/K", &f->cover_loss_W_K, 1.0, cover_W_K},
        {"cover_capacity_kj_per_k", "cover, heat capacity", "kJ/K", &f->cover_capacity_J_K, 1e-3,
         m->has_cover ? m->cover_capacity_J_K : NAN},
    };
    memcpy(rows, all, sizeof all);
    return MOST;
}

static void text_row(struct nw_buf *buf, const struct row *row) {
    const struct nw_air_estimate *const e = row->e;
    char value[48];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 24, row->label);
    if (!isfinite(e->v)) {
        nw_buf_printf(buf, "  -  (rig file %.3g %s)\n", row->rig * row->scale, row->unit);
        nw_report_paragraph(buf, 6, e->why_null);
        return;
    }
    nw_report_right(buf, 16,
                    nw_report_pm(value, sizeof value, e->v * row->scale, e->sigma * row->scale));
    nw_buf_printf(buf, " %-4s  90 %%: %.3g to %.3g", row->unit, e->low * row->scale,
                  e->high * row->scale);
    if (isfinite(row->rig)) {
        nw_buf_printf(buf, "; rig %.3g", row->rig * row->scale);
    }
    nw_buf_printf(buf, "\n");
}

/* The lines that would go into the rig file. */
static void text_for_the_rig(const struct nw_air_report *r, struct nw_buf *buf) {
    const struct nw_air_fit *const f = r->fit;
    const struct {
        const char *path, *unit;
        const struct nw_air_estimate *e;
        double scale;
    } keys[] = {{"room.air_changes", "1/h", &f->air_changes_per_s, PER_HOUR},
                {"room.heat_capacity", "kJ/K", &f->room_capacity_J_K, 1e-3},
                {"room.water_buffer", "kg", &f->water_buffer_kg, 1.0},
                {"cover.heat_capacity", "kJ/K", &f->cover_capacity_J_K, 1e-3}};
    bool has_any = false;
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const struct nw_air_estimate *const e = keys[i].e;
        if (isfinite(e->v)) {
            nw_buf_printf(buf, "%s  %s: {value: %.3g %s, sigma: %.2g %s, from: measured}\n",
                          has_any ? "" : "\n  for the rig file\n", keys[i].path,
                          e->v * keys[i].scale, keys[i].unit, e->sigma * keys[i].scale,
                          keys[i].unit);
            has_any = true;
        }
    }
}

void nw_report_air_fit_text(const struct nw_air_report *r, struct nw_buf *buf) {
    struct row rows[MOST];
    if (!r->fit) {
        return;
    }
    const size_t n = rows_of(r, rows);
    nw_buf_printf(buf, "\nMEASURED, rows by night: %zu closed, %zu open, %zu covered\n",
                  r->fit->n_closed, r->fit->n_open, r->fit->n_covered);
    for (size_t i = 0; i < n; i++) {
        text_row(buf, &rows[i]);
    }
    for (size_t i = 0; i < r->night->model.n_parts; i++) {
        const struct nw_air_estimate *const e = &r->fit->part_time_s[i];
        const struct nw_air_estimate *const sky = &r->fit->part_sky[i];
        char label[NW_NAME_SIZE + 20];
        (void)snprintf(label, sizeof label, "%.20s", r->rig->damp.surfaces[i].name);
        if (isfinite(e->v)) {
            char value[48];
            char pull[48];
            nw_buf_printf(buf, "  ");
            nw_report_left(buf, 24, label);
            nw_report_right(buf, 16,
                            nw_report_pm(value, sizeof value, e->v / 60.0, e->sigma / 60.0));
            nw_buf_printf(buf, " min behind the air; sky %s\n",
                          nw_report_pm(pull, sizeof pull, sky->v, sky->sigma));
        } else {
            const struct row row = {"", label, "min", e, 1.0 / 60.0, NAN};
            text_row(buf, &row);
        }
    }
    text_for_the_rig(r, buf);
}

static void put_estimate(struct nw_json *json, json_t *o, const char *key,
                         const struct nw_air_estimate *e, double scale) {
    static const char *const PARTS[] = {"", "_sigma", "_low", "_high"};
    const double values[] = {e->v, e->sigma, e->low, e->high};
    for (int i = 0; i < 4; i++) {
        char name[64];
        (void)snprintf(name, sizeof name, "%.40s%s", key, PARTS[i]);
        nw_json_number(json, o, name, values[i] * scale, 5);
    }
    if (!isfinite(e->v)) {
        nw_json_why(json, o, key, e->why_null);
    }
}

void nw_report_air_fit_json(const struct nw_air_report *r, struct nw_json *json) {
    struct row rows[MOST];
    if (!r->fit) {
        nw_json_null(json, NULL, "measured");
        nw_json_why(json, NULL, "measured", "no log, or one that measured nothing inside");
        return;
    }
    json_t *const o = nw_json_object(json, NULL, "measured");
    const size_t n = rows_of(r, rows);
    nw_json_count(json, o, "rows_closed", r->fit->n_closed);
    nw_json_count(json, o, "rows_open", r->fit->n_open);
    nw_json_count(json, o, "rows_covered", r->fit->n_covered);
    for (size_t i = 0; i < n; i++) {
        put_estimate(json, o, rows[i].key, rows[i].e, rows[i].scale);
    }
    json_t *const list = nw_json_array(json, o, "surfaces");
    for (size_t i = 0; i < r->night->model.n_parts; i++) {
        json_t *const part = nw_json_item(json, list);
        nw_json_text(json, part, "name", r->rig->damp.surfaces[i].name);
        put_estimate(json, part, "time_min", &r->fit->part_time_s[i], 1.0 / 60.0);
        put_estimate(json, part, "pulled_to_sky", &r->fit->part_sky[i], 1.0);
    }
}
