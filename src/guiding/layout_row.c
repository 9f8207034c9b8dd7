/* layout_row.c - one line of a described log as a row: numbers in SI, pulses with their sign, time.
 * Idea: a cell that is no number, an error beyond a degree or a time that runs backwards makes the
 * row unreadable, with its reason; a cell that is empty is only not measured. */
#include <math.h>

#include "guiding/layout_internal.h"

#define ERROR_MAX_rad (1.0 * NW_RAD_PER_DEG)
#define PULSE_MAX_s 60.0

static struct layout_text cell(const struct layout_cells *cells, int column) {
    return column >= 0 && (size_t)column < cells->n ? cells->items[column]
                                                    : (struct layout_text){"", 0};
}

/* A number of one column, as the log has it times factor. */
static bool read_cell(const struct layout_reader *r, const struct layout_cells *cells,
                      enum nw_log_column column, double *ret, char reason[static 120]) {
    const struct layout_text text = cell(cells, r->columns.main[column]);
    if (!nw_layout_number(r->layout, text, ret)) {
        char quoted[40];
        nw_layout_copy(quoted, sizeof quoted, text);
        (void)snprintf(reason, 120, "%s: \"%s\" is not a number", nw_log_column_key(column),
                       quoted);
        return false;
    }
    *ret *= r->layout->columns[column].factor;
    return true;
}

/* A pulse: signed, or with its direction beside it, or as two columns. */
static bool read_pulse(const struct layout_reader *r, const struct layout_cells *cells,
                       enum nw_log_column column, double *ret, char reason[static 120]) {
    const struct nw_log_field *const f = &r->layout->columns[column];
    if (!f->is_given) {
        *ret = NAN;
        return true;
    }
    if (!read_cell(r, cells, column, ret, reason)) {
        return false;
    }
    *ret = isnan(*ret) ? 0.0 : *ret; /* nothing there: nothing sent */
    if (f->minus_column.name[0] != '\0') {
        double minus = NAN;
        if (!nw_layout_number(r->layout, cell(cells, r->columns.minus[column]), &minus)) {
            (void)snprintf(reason, 120, "%s: minus_column is not a number",
                           nw_log_column_key(column));
            return false;
        }
        *ret -= isnan(minus) ? 0.0 : minus * f->factor;
    } else if (f->direction.name[0] != '\0' && fabs(*ret) > 0.0) {
        const struct layout_text way = cell(cells, r->columns.direction[column]);
        if (nw_layout_equal(way, f->minus)) {
            *ret = -*ret;
        } else if (!nw_layout_equal(way, f->plus)) {
            char quoted[32];
            nw_layout_copy(quoted, sizeof quoted, way);
            (void)snprintf(reason, 120, "%s: direction \"%s\" is neither %s nor %s",
                           nw_log_column_key(column), quoted, f->plus, f->minus);
            return false;
        }
    }
    return true;
}

static double to_si(const struct nw_log_field *field, enum nw_dim dim, const char *fallback,
                    double value) {
    double factor = NAN;
    double offset = NAN;
    const char *const unit = field->unit[0] != '\0' ? field->unit : fallback;
    if (strcmp(unit, "px") == 0) { /* as if of 1 arcsec; layout_finish.c knows the scale */
        return value / NW_ARCSEC_PER_RAD;
    }
    return nw_unit_read(unit, dim, &factor, &offset, NULL) == NW_OK ? value * factor : NAN;
}

static bool read_errors(const struct layout_reader *r, const struct layout_cells *cells,
                        struct nw_guide_row *row, char reason[static 120]) {
    static const enum nw_log_column IDS[] = {NW_LOG_COLUMN_RA_ERROR, NW_LOG_COLUMN_DEC_ERROR};
    double *const errors[] = {&row->ra_rad, &row->dec_rad};
    for (int k = 0; k < 2; k++) {
        if (!read_cell(r, cells, IDS[k], errors[k], reason)) {
            return false;
        }
        const double value = *errors[k];
        *errors[k] = to_si(&r->layout->columns[IDS[k]], NW_DIM_ANGLE, "arcsec", value);
        if (fabs(*errors[k]) > ERROR_MAX_rad) {
            (void)snprintf(reason, 120, "%s: %g is over a degree", nw_log_column_key(IDS[k]),
                           value);
            return false;
        }
    }
    return true;
}

static bool read_pulses(const struct layout_reader *r, const struct layout_cells *cells,
                        struct nw_guide_row *row, char reason[static 120]) {
    static const enum nw_log_column IDS[] = {NW_LOG_COLUMN_RA_PULSE, NW_LOG_COLUMN_DEC_PULSE};
    double *const pulses[] = {&row->ra_pulse_s, &row->dec_pulse_s};
    for (int k = 0; k < 2; k++) {
        if (!read_pulse(r, cells, IDS[k], pulses[k], reason)) {
            return false;
        }
        const double value = *pulses[k];
        *pulses[k] = to_si(&r->layout->columns[IDS[k]], NW_DIM_TIME, "ms", value);
        if (fabs(*pulses[k]) > PULSE_MAX_s) {
            (void)snprintf(reason, 120, "%s: %g is over a minute", nw_log_column_key(IDS[k]),
                           value);
            return false;
        }
    }
    return true;
}

static bool read_others(const struct layout_reader *r, const struct layout_cells *cells,
                        struct nw_guide_row *row, char reason[static 120]) {
    return read_cell(r, cells, NW_LOG_COLUMN_SNR, &row->snr, reason) &&
           read_cell(r, cells, NW_LOG_COLUMN_LOCK_X, &row->lock_x_px, reason) &&
           read_cell(r, cells, NW_LOG_COLUMN_LOCK_Y, &row->lock_y_px, reason);
}

static bool has_needed_cells(const struct layout_reader *r, const struct layout_cells *cells,
                             char reason[static 120]) {
    static const enum nw_log_column NEEDED[] = {NW_LOG_COLUMN_TIME, NW_LOG_COLUMN_RA_ERROR,
                                                NW_LOG_COLUMN_DEC_ERROR};
    for (int k = 0; k < 3; k++) {
        if ((size_t)r->columns.main[NEEDED[k]] >= cells->n) {
            (void)snprintf(reason, 120, "%zu cells, %s is column %d", cells->n,
                           nw_log_column_key(NEEDED[k]), r->columns.main[NEEDED[k]] + 1);
            return false;
        }
    }
    return true;
}

/* The run's start becomes the clock's when the first time is needed: lines above may say it. */
bool nw_layout_set_clock(struct layout_reader *r, char reason[static 120]) {
    if (r->is_clock_set) {
        return true;
    }
    const struct nw_log_field *const f = &r->layout->header[NW_LOG_START];
    const char *text = r->start[0] != '\0' ? r->start : r->run->header_text[NW_LOG_START];
    text = text[0] == '\0' ? f->value : text;
    const struct layout_text start = {text, strlen(text)};
    r->is_clock_set = true;
    if (!nw_layout_clock_start(&r->clock, start)) {
        (void)snprintf(reason, 120, "the start \"%.40s\" is no date and time", text);
        (void)snprintf(r->run->note, sizeof r->run->note,
                       "%s; times count from the first row's day", reason);
    }
    return true;
}

static bool read_time(struct layout_reader *r, const struct layout_cells *cells,
                      struct nw_guide_row *row, char reason[static 120]) {
    const struct layout_text time = cell(cells, r->columns.main[NW_LOG_COLUMN_TIME]);
    const struct layout_text date = cell(cells, r->columns.main[NW_LOG_COLUMN_DATE]);
    const struct nw_guide_log *const log = r->run->log;
    if (!nw_layout_set_clock(r, reason) ||
        !nw_layout_clock_read(&r->clock, time, date, &row->t_s, reason)) {
        return false;
    }
    if (log->n > 0 && row->t_s < log->rows[log->n - 1].t_s) {
        (void)snprintf(reason, 120, "time runs backwards by %.3g s",
                       log->rows[log->n - 1].t_s - row->t_s);
        return false;
    }
    if (log->n > 0 && row->t_s > log->rows[log->n - 1].t_s + 86400.0) {
        (void)snprintf(reason, 120, "time jumps by over a day");
        return false;
    }
    return true;
}

bool nw_layout_row(struct layout_reader *r, struct layout_text line, struct nw_guide_row *row,
                   char note[static 48], char reason[static 120]) {
    struct layout_cells cells;
    nw_layout_split(r->layout, line, &cells);
    *row = (struct nw_guide_row){.line = r->line};
    reason[0] = '\0';
    nw_layout_copy(note, 48, cell(&cells, r->columns.main[NW_LOG_COLUMN_NOTE]));
    return has_needed_cells(r, &cells, reason) && read_errors(r, &cells, row, reason) &&
           read_pulses(r, &cells, row, reason) && read_others(r, &cells, row, reason) &&
           read_time(r, &cells, row, reason);
}
