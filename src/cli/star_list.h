/* star_list.h - stars of a catalogue around a field, brightest first. */
#ifndef NW_CLI_STAR_LIST_H
#define NW_CLI_STAR_LIST_H

#include "light/throughput.h"
#include "sky/catalogue.h"

/* Within the setup's field and a quarter beyond; returns how many, at most `room`. */
size_t cli_star_list(const struct nw_catalogue *catalogue, const struct nw_setup *setup,
                     const double place_rad[static 2], double faintest_mag, size_t room,
                     struct nw_reference *ret);

#endif
