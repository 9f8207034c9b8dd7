/* filters.c - the filters of a setup by what frame headers call them.
 * Holds: a name of the rig file wins over an `also` of another filter. */
#include "rig/rig.h"

bool nw_filter_is(const struct nw_filter *filter, const char *header) {
    bool is_it = nw_text_equal_nocase(filter->name, header);
    for (size_t i = 0; i < filter->also.n && !is_it; i++) {
        is_it = nw_text_equal_nocase(filter->also.items[i], header);
    }
    return is_it;
}

const struct nw_filter *nw_setup_filter_of(const struct nw_setup *setup, const char *header) {
    const struct nw_filter *also = NULL;
    if (!header || header[0] == '\0') {
        return NULL;
    }
    for (size_t i = 0; i < setup->n_filters; i++) {
        const struct nw_filter *const filter = &setup->filters[i];
        if (nw_text_equal_nocase(filter->name, header)) {
            return filter;
        }
        also = !also && nw_filter_is(filter, header) ? filter : also;
    }
    if (also || setup->n_filters > 0) {
        return also;
    }
    return nw_filter_is(&setup->filter, header) ? &setup->filter : NULL;
}
