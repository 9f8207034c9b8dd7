/* report_ledger.h - budgets that are lists of lines, as text of 80 columns and as parts of the
 * document nightwright.check.1. Third public header of report; the rest: report.h. */
#ifndef NW_REPORT_LEDGER_H
#define NW_REPORT_LEDGER_H

#include "budget/ledger.h"
#include "report/report.h"

/* The whole page. */
void nw_report_ledger_text(const struct nw_ledger *ledger, const char *setup, struct nw_buf *buf);
/* One entry below another budget's page. */
void nw_report_ledger_brief(const struct nw_ledger *ledger, struct nw_buf *buf);

/* One item each for "budgets"; all its items for "cannot_tell", "advice", "leave". */
void nw_report_ledger_json(const struct nw_ledger *ledger, struct nw_json *json, json_t *array);
void nw_report_ledger_unknown_json(const struct nw_ledger *ledger, struct nw_json *json,
                                   json_t *array);
void nw_report_ledger_advice_json(const struct nw_ledger *ledger, struct nw_json *json,
                                  json_t *array);
void nw_report_ledger_leave_json(const struct nw_ledger *ledger, struct nw_json *json,
                                 json_t *array);

#endif
