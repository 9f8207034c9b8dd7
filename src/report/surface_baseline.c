/* surface_baseline.c - what a setup's optics do, kept for later single frames. */
#include "report/report_surface.h"

#include <math.h>

enum { BASELINE_MAX_BYTES = 65536 };

/* Key in the file, place in the struct, whether it may be null, factor from the file to SI. */
static const struct {
    const char *key;
    size_t offset;
    bool may_lack;
    double factor;
} FIELDS[] = {
    {"a_um", offsetof(struct nw_field_baseline, a_m), false, 1e-6},
    {"b_um", offsetof(struct nw_field_baseline, b_m), false, 1e-6},
    {"slope_sigma_um", offsetof(struct nw_field_baseline, slope_sigma_m), false, 1e-6},
    {"c_um", offsetof(struct nw_field_baseline, c_m), false, 1e-6},
    {"c_sigma_um", offsetof(struct nw_field_baseline, c_sigma_m), false, 1e-6},
    {"corner_growth_percent", offsetof(struct nw_field_baseline, growth), false, 0.01},
    {"corner_growth_sigma_percent", offsetof(struct nw_field_baseline, growth_sigma), false, 0.01},
    {"astigmatism_um", offsetof(struct nw_field_baseline, astigmatism_m), true, 1e-6},
    {"astigmatism_sigma_um", offsetof(struct nw_field_baseline, astigmatism_sigma_m), true, 1e-6},
};
enum { N_FIELDS = sizeof FIELDS / sizeof FIELDS[0] };

/* Fields of different nights differ a little: at least 3 um and 2 % are left to them. */
static struct nw_field_baseline of_surface(const struct nw_surface *s) {
    const double a = s->z[NW_SURFACE_A];
    const double b = s->z[NW_SURFACE_B];
    const double c = s->z[NW_SURFACE_C];
    const double slope2 =
        fmax(s->cov[NW_SURFACE_A][NW_SURFACE_A], s->cov[NW_SURFACE_B][NW_SURFACE_B]);
    const double c_sigma = sqrt(s->cov[NW_SURFACE_C][NW_SURFACE_C]);
    return (struct nw_field_baseline){
        .a_m = a,
        .b_m = b,
        .slope_sigma_m = hypot(sqrt(slope2), s->scale_sigma * hypot(a, b)),
        .c_m = c,
        .c_sigma_m = fmax(3e-6, hypot(c_sigma, s->scale_sigma * c)),
        .growth = s->growth,
        .growth_sigma = fmax(0.02, s->growth_sigma),
        .astigmatism_m = s->wavefront.astigmatism_m,
        .astigmatism_sigma_m = s->wavefront.astigmatism_sigma_m,
    };
}

enum nw_status nw_report_baseline_json(const struct nw_surface_report *r, const char *setup,
                                       json_t **ret, struct nw_err *err) {
    if (!r->surface->is_metric || r->surface->method == NW_SURFACE_SINGLE) {
        return nw_err_set(err, NW_DATA,
                          "a baseline needs a pair or a sweep with heights in micrometres");
    }
    const struct nw_field_baseline base = of_surface(r->surface);
    struct nw_json json;
    nw_json_begin(&json, "field_baseline", 1);
    nw_json_text(&json, NULL, "setup", setup);
    nw_json_text(&json, NULL, "method", nw_surface_method_name(r->surface->method));
    nw_json_time(&json, NULL, "date", r->frames[0].t_s, 0);
    nw_json_count(&json, NULL, "frames_used", r->surface->n_used);
    for (size_t i = 0; i < N_FIELDS; i++) {
        double value = NAN;
        memcpy(&value, (const char *)&base + FIELDS[i].offset, sizeof value);
        nw_json_number(&json, NULL, FIELDS[i].key, value / FIELDS[i].factor, 6);
    }
    return nw_json_end(&json, ret, err);
}

static enum nw_status fill(const char *path, const json_t *root, struct nw_field_baseline *ret,
                           struct nw_err *err) {
    const char *const schema = json_string_value(json_object_get(root, "schema"));
    if (!schema || strcmp(schema, "nightwright.field_baseline.1") != 0) {
        return nw_err_set(err, NW_FORMAT,
                          "%s: schema is \"%.40s\", expected nightwright.field_baseline.1", path,
                          schema ? schema : "");
    }
    for (size_t i = 0; i < N_FIELDS; i++) {
        const json_t *const value = json_object_get(root, FIELDS[i].key);
        const double number =
            json_is_number(value) ? json_number_value(value) * FIELDS[i].factor : NAN;
        const bool is_sigma = strstr(FIELDS[i].key, "sigma") != NULL;
        const bool is_bad = isfinite(number) ? is_sigma && !(number > 0.0)
                                             : !(FIELDS[i].may_lack && json_is_null(value));
        if (is_bad) {
            return nw_err_set(err, NW_FORMAT, "%s: %s is not a number%s", path, FIELDS[i].key,
                              is_sigma ? " > 0" : "");
        }
        memcpy((char *)ret + FIELDS[i].offset, &number, sizeof number);
    }
    return NW_OK;
}

enum nw_status nw_report_baseline_read(const char *path, struct nw_field_baseline *ret,
                                       struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, BASELINE_MAX_BYTES, &data, &len, err);
    if (status != NW_OK) {
        return status;
    }
    json_error_t error;
    json_t *const root = json_loadb(data, len, JSON_REJECT_DUPLICATES, &error);
    struct nw_field_baseline base = {0};
    if (!root) {
        status = nw_err_set(err, NW_FORMAT, "%s:%d:%d: no JSON: %.100s", path, error.line,
                            error.column, error.text);
    } else {
        status = fill(path, root, &base, err);
    }
    json_decref(root);
    free(data);
    if (status == NW_OK) {
        *ret = base;
    }
    return status;
}
