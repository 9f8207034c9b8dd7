/* surface_shims.c - from the rig's screws to shims, and the known turn of --turned. */
#include "cli/surface_internal.h"

#include <math.h>

static size_t take_screws(const struct nw_setup *setup, struct nw_shim_screw *ret) {
    const double m = setup->has_corrector ? setup->corrector.magnification.v : 1.0;
    for (size_t i = 0; i < setup->n_screws; i++) {
        const struct nw_screw *const s = &setup->screws[i];
        ret[i] = (struct nw_shim_screw){
            .x_m = s->radius_m.v * cos(s->angle_rad.v),
            .y_m = s->radius_m.v * sin(s->angle_rad.v),
            .per_screw = strcmp(s->side, "before") == 0 ? m * m : 1.0, /* longitudinal */
        };
    }
    return setup->n_screws;
}

/* "top=0.05": which screw, how much in metres. */
static enum nw_status read_turn(const char *turned, const struct nw_setup *setup,
                                struct nw_shim_turn *ret, struct nw_err *err) {
    const char *const equals = strrchr(turned, '=');
    double mm = NAN;
    if (!equals || !nw_text_to_double(equals + 1, &mm) || !(fabs(mm) > 0.0 && fabs(mm) <= 10.0)) {
        return nw_err_set(err, NW_USAGE,
                          "--turned \"%s\": expected SCREW=MM, the way up to 10 mm, such as "
                          "top=0.05",
                          turned);
    }
    const char *names[NW_RIG_MAX_SCREWS];
    char word[NW_NAME_SIZE];
    (void)snprintf(word, sizeof word, "%.*s", (int)(equals - turned), turned);
    for (size_t i = 0; i < setup->n_screws; i++) {
        names[i] = setup->screws[i].name;
        if (strcmp(names[i], word) == 0) {
            *ret = (struct nw_shim_turn){i, mm * 1e-3};
            return NW_OK;
        }
    }
    const char *const near = nw_text_nearest(word, names, setup->n_screws);
    return nw_err_set(err, NW_NOTFOUND, "--turned: no screw \"%s\" in setup %s%s%s%s", word,
                      setup->name, near ? " (nearest: " : "", near ? near : "", near ? ")" : "");
}

/* The axes from the turns, and shims for the state after the last. */
static enum nw_status learn(const struct cli_surface_turns *turns, const struct nw_setup *setup,
                            const struct nw_shim_plate *plate, const struct nw_surface *before,
                            struct cli_surface_shims *shims, struct nw_err *err) {
    struct nw_shim_turn list[NW_SHIM_TURNS_MAX];
    const struct nw_surface *surfaces[NW_SHIM_TURNS_MAX + 1] = {before};
    enum nw_status status = NW_OK;
    for (size_t i = 0; status == NW_OK && i < turns->n; i++) {
        surfaces[i + 1] = &turns->after[i];
        status = read_turn(turns->texts[i], setup, &list[i], err);
    }
    struct nw_shim_response *const response = &shims->response;
    if (status == NW_OK) {
        status = nw_field_shim_responses(surfaces, turns->n, plate, list, response, err);
    }
    if (status == NW_OK) {
        const bool is_other = response->is_settled && response->is_mirrored;
        status =
            nw_field_shims(surfaces[turns->n], plate,
                           is_other ? &response->mirrored : &response->plain, &shims->plain, err);
    }
    if (status == NW_OK) {
        status =
            nw_field_shims(surfaces[turns->n], plate, &response->mirrored, &shims->mirrored, err);
    }
    shims->has_shims = status == NW_OK;
    return status;
}

enum nw_status cli_surface_shims(const struct cli_surface_turns *turns,
                                 const struct nw_setup *setup,
                                 const struct cli_surface_facts *facts,
                                 const struct nw_surface *surface, struct cli_surface_shims *ret,
                                 struct nw_err *err) {
    struct nw_shim_plate plate = {.pixel_m = facts->opts.optics.pixel_m};
    struct cli_surface_shims shims = {.has_shims = false};
    plate.n = setup ? take_screws(setup, plate.screws) : 0;
    if (turns->n && plate.n == 0) {
        return nw_err_set(err, NW_USAGE,
                          "--turned: the screws are described in the rig file "
                          "(setups.*.screws); give --rig");
    }
    enum nw_status status = NW_OK;
    if (plate.n == 0) {
        nw_text_copy(shims.why, sizeof shims.why,
                     "no screws are described in the rig file (setups.*.screws)");
    } else if (turns->n == 0) {
        struct nw_err why = {.text = ""};
        shims.has_shims = nw_field_shims(surface, &plate, NULL, &shims.plain, &why) == NW_OK;
        nw_text_copy(shims.why, sizeof shims.why, why.text);
    } else {
        status = learn(turns, setup, &plate, surface, &shims, err);
    }
    if (status == NW_OK) {
        *ret = shims;
    }
    return status;
}
