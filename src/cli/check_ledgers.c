/* check_ledgers.c - the budgets beside the star width, for `check`. */
#include "cli/check_internal.h"

enum nw_status check_ledgers(const char *name, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct check_ledgers *ret,
                             struct nw_err *err) {
    const char *one = NULL;
    for (size_t i = 0; (one = nw_ledger_name(i)) != NULL && ret->n < CHECK_LEDGERS; i++) {
        if (name && strcmp(name, one) != 0) {
            continue;
        }
        struct nw_ledger *ledger = NULL;
        struct nw_err why = {0};
        const enum nw_status status = nw_ledger_new(one, rig, setup, &ledger, &why);
        if (status == NW_OK) {
            ret->items[ret->n++] = ledger;
        } else if (name || status != NW_NOTFOUND) { /* a rig that lacks what it needs has none */
            (void)nw_err_set(err, status, "%s", why.text);
            return nw_err_at(err, status, "budget %s", one);
        }
    }
    return NW_OK;
}

struct nw_ledger *check_ledger_of(const struct check_ledgers *ledgers, const char *name) {
    for (size_t i = 0; i < ledgers->n; i++) {
        if (strcmp(ledgers->items[i]->name, name) == 0) {
            return ledgers->items[i];
        }
    }
    return NULL;
}

void check_ledgers_done(struct check_ledgers *ledgers) {
    for (size_t i = 0; i < ledgers->n; i++) {
        nw_ledger_free(ledgers->items[i]);
    }
    *ledgers = (struct check_ledgers){0};
}
