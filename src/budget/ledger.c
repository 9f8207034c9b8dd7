/* ledger.c - the form that budgets of lines fill; see ledger.h. */
#include <math.h>

#include "budget/ledger.h"

static const struct {
    const char *name, *unit, *title;
    enum nw_status (*fill)(const struct nw_rig *rig, const struct nw_setup *setup,
                           struct nw_ledger *ret, struct nw_err *err);
} KINDS[] = {
#define X(name, unit, title) {#name, unit, title, nw_ledger_##name},
    NW_LEDGER_LIST(X)
#undef X
};
enum { N_KINDS = sizeof KINDS / sizeof KINDS[0] };

const char *nw_ledger_name(size_t i) {
    return i < N_KINDS ? KINDS[i].name : NULL;
}

#define ROOM(array) (sizeof(array) / sizeof((array)[0]))
/* The next free place of a list, or its last one again: what does not fit any more is the least. */
static size_t take(size_t *n, size_t room) {
    if (*n < room) {
        (*n)++;
    }
    return *n - 1;
}

struct nw_ledger_line *nw_ledger_add(struct nw_ledger *ledger, const char *id, const char *label) {
    struct nw_ledger_line *const line = &ledger->lines[take(&ledger->n_lines, ROOM(ledger->lines))];
    *line = (struct nw_ledger_line){.unit = ledger->unit,
                                    .is_summed = true,
                                    .allowed = NAN,
                                    .predicted = NAN,
                                    .predicted_sigma = NAN,
                                    .measured = NAN,
                                    .measured_sigma = NAN,
                                    .measured_low = NAN,
                                    .measured_high = NAN,
                                    .attainable = NAN,
                                    .time_percent_point = NAN,
                                    .time_percent_extended = NAN,
                                    .basis = ""};
    nw_text_copy(line->id, sizeof line->id, id);
    nw_text_copy(line->label, sizeof line->label, label);
    return line;
}

struct nw_ledger_line *nw_ledger_find(struct nw_ledger *ledger, const char *id) {
    for (size_t i = 0; i < ledger->n_lines; i++) {
        if (strcmp(ledger->lines[i].id, id) == 0) {
            return &ledger->lines[i];
        }
    }
    return NULL;
}

struct nw_ledger_unknown *nw_ledger_add_unknown(struct nw_ledger *ledger) {
    return &ledger->unknown[take(&ledger->n_unknown, ROOM(ledger->unknown))];
}

static struct nw_ledger_advice *blank(struct nw_ledger_advice *advice) {
    *advice = (struct nw_ledger_advice){.time_percent_point = NAN, .time_percent_extended = NAN};
    return advice;
}

struct nw_ledger_advice *nw_ledger_add_advice(struct nw_ledger *ledger) {
    return blank(&ledger->advice[take(&ledger->n_advice, ROOM(ledger->advice))]);
}

struct nw_ledger_advice *nw_ledger_add_leave(struct nw_ledger *ledger) {
    return blank(&ledger->leave[take(&ledger->n_leave, ROOM(ledger->leave))]);
}

void nw_ledger_caution(struct nw_ledger *ledger, const char *text) {
    nw_text_copy(ledger->cautions[take(&ledger->n_cautions, ROOM(ledger->cautions))],
                 sizeof ledger->cautions[0], text);
}

void nw_ledger_sum(struct nw_ledger *ledger) {
    double sum = 0.0;
    double variance = 0.0;
    double most = 0.0;
    ledger->limiting = ledger->n_lines;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        const struct nw_ledger_line *const line = &ledger->lines[i];
        if (!line->is_summed) {
            continue;
        }
        sum += line->predicted;
        const double part = line->predicted_sigma * line->predicted_sigma;
        variance += isfinite(part) ? part : 0.0;
        if (part > most) {
            most = part;
            ledger->limiting = i;
        }
    }
    ledger->predicted = sum;
    ledger->predicted_sigma = sqrt(variance);
    const double allowed = ledger->allowed;
    if (isfinite(allowed) && isfinite(sum)) {
        const double scale = sqrt(2.0) * fmax(ledger->predicted_sigma, 1e-12);
        ledger->over_probability =
            0.5 * erfc((allowed - sum) / scale) + 0.5 * erfc((allowed + sum) / scale);
        ledger->is_over = fabs(sum) > allowed;
        ledger->margin_percent = 100.0 * (1.0 - fabs(sum) / allowed);
    }
}

enum nw_status nw_ledger_new(const char *name, const struct nw_rig *rig,
                             const struct nw_setup *setup, struct nw_ledger **ret,
                             struct nw_err *err) {
    size_t kind = 0;
    while (kind < N_KINDS && strcmp(KINDS[kind].name, name) != 0) {
        kind++;
    }
    if (kind == N_KINDS) {
        return nw_err_set(err, NW_NOTFOUND, "no budget '%s'", name);
    }
    struct nw_ledger *ledger = nw_calloc(1, sizeof *ledger);
    if (!ledger) {
        return nw_err_set(err, NW_NOMEM, "budget %s", name);
    }
    ledger->name = KINDS[kind].name;
    ledger->unit = KINDS[kind].unit;
    ledger->title = KINDS[kind].title;
    ledger->allowed = ledger->predicted = ledger->predicted_sigma = NAN;
    ledger->measured = ledger->measured_sigma = NAN;
    ledger->over_probability = ledger->margin_percent = NAN;
    nw_text_copy(ledger->sum_label, sizeof ledger->sum_label, "together");
    const enum nw_status status = KINDS[kind].fill(rig, setup, ledger, err);
    if (status == NW_OK) {
        *ret = ledger;
        ledger = NULL;
    }
    nw_ledger_free(ledger);
    return status;
}

void nw_ledger_free(struct nw_ledger *ledger) {
    free(ledger);
}
