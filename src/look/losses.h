/* losses.h - light that did not arrive: dew, dust, haze or cloud? Fourth public header of the
 * module.
 *
 * Idea: each of the four leaves its own trace in the stars' light, their halo, the sky and the
 * clock; a table of rules says what speaks for and against each. What one night cannot tell apart
 * is said: dust is constant and looks like nothing at all in relative transmission. */
#ifndef NW_LOOK_LOSSES_H
#define NW_LOOK_LOSSES_H

#include <stdbool.h>
#include <stddef.h>

#define NW_LOSS_LIST(X)                                                                            \
    X(CLOUD, "cloud", "cloud",                                                                     \
      "fast and patchy: comes and goes from sub to sub, over part of the "                         \
      "field",                                                                                     \
      "look up, or the sky camera; the next clear hour")                                           \
    X(DEW, "dew", "dew or frost on the glass",                                                     \
      "slow, with a growing halo about the stars; "                                                \
      "returns after heating",                                                                     \
      "warm the lens for ten minutes: light and halo come back")                                   \
    X(HAZE, "haze", "haze", "goes with airmass, steeper than clear air, under a brighter sky",     \
      "the slope with airmass over a wide range; compare with another night")                      \
    X(DUST, "dust", "dust on the glass", "constant across nights, at all airmasses",               \
      "absolute throughput (`throughput`) before and after cleaning, on several nights")
enum nw_loss_id {
#define X(name, word, text, rule, decides) NW_LOSS_##name,
    NW_LOSS_LIST(X)
#undef X
        NW_N_LOSSES
};
const char *nw_loss_word(enum nw_loss_id id);
const char *nw_loss_text(enum nw_loss_id id);
const char *nw_loss_rule(enum nw_loss_id id);    /* how it is recognised (OBSERVABILITY, 20) */
const char *nw_loss_decides(enum nw_loss_id id); /* what would settle it */

/* What the subs of one group show; NaN: not known. */
struct nw_loss_facts {
    size_t n;
    double range;     /* best less worst transmission, freed of the airmass slope */
    double roughness; /* ways from sub to sub over the range: 1 = one way only */
    double patchy;    /* star ratios' scatter in the subs that lost most */
    double per_hour_mag, per_hour_sigma_mag; /* slow loss, freed of the slope */
    double halo_per_hour, halo_sigma;        /* relative rise of the halo */
    double slope_mag;                        /* loss per airmass */
    double sky_with_loss;                    /* correlation of the sky's level with the loss */
};
struct nw_loss {
    enum nw_loss_id id;
    int score;    /* rules for less rules against */
    bool is_told; /* false: one night cannot tell */
    char evidence[200];
};
struct nw_losses {
    bool has_any;                      /* over 3 % were lost somewhere */
    struct nw_loss items[NW_N_LOSSES]; /* likeliest first, those that cannot be told last */
    bool is_clear;                     /* the first is at least two rules ahead of the next */
};
struct nw_losses nw_losses_of(const struct nw_loss_facts *facts);

#endif
