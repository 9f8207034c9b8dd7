/* places.c - attitudes with a name, and cables, of a rig file. */
#include "rig/rig_internal.h"

static bool is_known(const struct nw_val *val) {
    return val->from != NW_FROM_UNKNOWN;
}

enum nw_status nw_rig_finish_position(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                      const char *path, const struct nw_position *p) {
    const int n_equatorial = is_known(&p->hour_angle_rad) + is_known(&p->declination_rad);
    const int n_level = is_known(&p->altitude_rad) + is_known(&p->azimuth_rad);
    if (!(n_equatorial == 2 && n_level == 0) && !(n_equatorial == 0 && n_level == 2)) {
        return nw_rig_fail(reader, node, path, NW_NOTFOUND,
                           "needs hour_angle with declination, or altitude with azimuth");
    }
    return NW_OK;
}

void nw_rig_finish_cable(struct nw_cable *cable) {
    for (int i = 0; i < 2; i++) {
        const char first = cable->end[i].rides_word[0];
        cable->end[i].rides = first == 't'   ? NW_RIDES_TUBE
                              : first == 'a' ? NW_RIDES_AXIS
                                             : NW_RIDES_GROUND;
    }
}

enum nw_status nw_rig_read_places(struct nw_rig_reader *reader, struct nw_rig_parts *parts) {
    struct nw_rig *const rig = reader->rig;
    void *positions = NULL;
    void *cables = NULL;
    enum nw_status status =
        nw_rig_take_all(reader, &parts->positions, &positions, &rig->n_positions);
    rig->positions = positions;
    if (status == NW_OK) {
        status = nw_rig_take_all(reader, &parts->cables, &cables, &rig->n_cables);
        rig->cables = cables;
    }
    return status;
}
