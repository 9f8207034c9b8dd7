/* chart.c - a series in plain characters: readable in black and white and by a screen reader's
 * numbers on the left.
 * Idea: a column shows the median of what falls into it. */
#include <math.h>

#include "report/report_internal.h"

enum { ROWS = 8, COLUMNS = 66, MARK_WIDTH = 8 };

/* The range of the axis: the data, widened so that a steady series does not fill the chart. */
static void range_of(const double *values, size_t n, double least_share, double *ret_low,
                     double *ret_high) {
    double low = INFINITY;
    double high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        low = fmin(low, values[i]);
        high = fmax(high, values[i]);
    }
    const double least = least_share * fmax(fabs(low), fabs(high));
    if (high - low < least) {
        const double middle = 0.5 * (low + high);
        low = middle - 0.5 * least;
        high = middle + 0.5 * least;
    }
    *ret_low = low;
    *ret_high = high;
}

static int column_of(double t, double low, double high) {
    if (!(high > low)) {
        return 0;
    }
    const int column = (int)floor((t - low) / (high - low) * COLUMNS);
    return column < COLUMNS ? column : COLUMNS - 1;
}

/* The median of the values in one column; NaN when it is empty. `work` has room for n. */
static double column_value(const struct report_chart *chart, double low, double high, int column,
                           double *work) {
    size_t n = 0;
    for (size_t i = 0; i < chart->n; i++) {
        if (column_of(chart->t[i], low, high) == column) {
            work[n++] = chart->y[i];
        }
    }
    return n ? nw_stat_median(work, n) : NAN;
}

static void fill(const struct report_chart *chart, double *work, double low_y, double high_y,
                 char cells[ROWS][COLUMNS + 1]) {
    double low = NAN;
    double high = NAN;
    range_of(chart->t, chart->n, 0.0, &low, &high);
    memset(cells, ' ', (size_t)ROWS * (COLUMNS + 1));
    for (int column = 0; column < COLUMNS; column++) {
        const double value = column_value(chart, low, high, column, work);
        if (isfinite(value)) {
            const int row = (int)lround((high_y - value) / (high_y - low_y) * (ROWS - 1));
            cells[row < 0 ? 0 : row >= ROWS ? ROWS - 1 : row][column] = '*';
        }
    }
    for (int row = 0; row < ROWS; row++) {
        int end = COLUMNS;
        while (end > 0 && cells[row][end - 1] == ' ') {
            end--;
        }
        cells[row][end] = '\0';
    }
}

void report_chart(struct nw_buf *buf, const struct report_chart *chart) {
    double *const work = nw_calloc(chart->n, sizeof *work);
    if (!work || chart->n == 0) {
        free(work);
        return;
    }
    double low_y = NAN;
    double high_y = NAN;
    range_of(chart->y, chart->n, 0.1, &low_y, &high_y);
    char cells[ROWS][COLUMNS + 1];
    fill(chart, work, low_y, high_y, cells);
    free(work);
    for (int row = 0; row < ROWS; row++) {
        const double mark = high_y - (high_y - low_y) * row / (ROWS - 1);
        nw_report_fixed(buf, MARK_WIDTH, mark, chart->decimals);
        nw_buf_printf(buf, " |%s\n", cells[row]);
    }
    nw_buf_printf(buf, "%*s +", MARK_WIDTH, "");
    for (int column = 0; column < COLUMNS; column++) {
        nw_buf_printf(buf, "-");
    }
    const int used = (int)nw_report_width(chart->left);
    const int width = COLUMNS - used;
    nw_buf_printf(buf, "\n%*s  %s", MARK_WIDTH, "", chart->left);
    nw_report_right(buf, width > 0 ? width : 0, chart->right);
    nw_buf_printf(buf, "\n");
}
