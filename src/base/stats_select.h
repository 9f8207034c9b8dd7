/* stats_select.h - selection, written once; stats.c includes it for each type and key.
 * Idea: SELECT puts the item with the k-th smallest key at k, smaller ones before, larger ones
 * behind (Floyd & Rivest 1975, CACM 18, 165; Algorithm 489, p. 173): n + min(k, n - k) comparisons,
 * equal keys no special case. Should a hostile order use up `budget` comparisons, a heap sort ends
 * it, so the worst case is O(n log n).
 * Given: SELECT_T the type, KEY(x) its key (may use `centre`), SELECT, SIFT, HEAP_SORT names. */

static void SIFT(SELECT_T *a, ptrdiff_t root, ptrdiff_t n, double centre) {
    (void)centre;
    for (ptrdiff_t child = 2 * root + 1; child < n; child = 2 * root + 1) {
        if (child + 1 < n && KEY(a[child]) < KEY(a[child + 1])) {
            child++;
        }
        if (!(KEY(a[root]) < KEY(a[child]))) {
            return;
        }
        const SELECT_T swap = a[root];
        a[root] = a[child];
        a[child] = swap;
        root = child;
    }
}

static void HEAP_SORT(SELECT_T *a, ptrdiff_t n, double centre) {
    for (ptrdiff_t i = n / 2 - 1; i >= 0; i--) {
        SIFT(a, i, n, centre);
    }
    for (ptrdiff_t last = n - 1; last > 0; last--) {
        const SELECT_T swap = a[0];
        a[0] = a[last];
        a[last] = swap;
        SIFT(a, 0, last, centre);
    }
}

/* Splits a[left..right] about the key of a[k]; returns where that item came to stand. */
static ptrdiff_t PARTITION(SELECT_T *a, ptrdiff_t left, ptrdiff_t right, ptrdiff_t k,
                           double centre) {
    (void)centre;
    const SELECT_T item = a[k];
    const SELECT_T pivot = KEY(item);
    a[k] = a[left];
    a[left] = item;
    if (KEY(a[right]) > pivot) {
        a[left] = a[right];
        a[right] = item;
    }
    ptrdiff_t i = left;
    ptrdiff_t j = right;
    while (i < j) {
        const SELECT_T swap = a[i];
        a[i++] = a[j];
        a[j--] = swap;
        while (KEY(a[i]) < pivot) {
            i++;
        }
        while (KEY(a[j]) > pivot) {
            j--;
        }
    }
    /* one of the ends holds a key equal to the pivot: bring it between the two parts */
    const bool is_at_left = !(KEY(a[left]) < pivot) && !(KEY(a[left]) > pivot);
    const ptrdiff_t end = is_at_left ? left : right;
    j = is_at_left ? j : j + 1;
    const SELECT_T swap = a[end];
    a[end] = a[j];
    a[j] = swap;
    return j;
}

static void SELECT(SELECT_T *a, ptrdiff_t left, ptrdiff_t right, ptrdiff_t k, double centre,
                   ptrdiff_t budget) {
    while (right > left) {
        budget -= right - left;
        if (budget < 0) {
            HEAP_SORT(a + left, right - left + 1, centre);
            return;
        }
        if (right - left > SAMPLE_ABOVE) { /* bring the k-th near its place by a sample first */
            const double n = (double)(right - left + 1);
            const double i = (double)(k - left + 1);
            const double s = 0.5 * exp(2.0 * log(n) / 3.0);
            const double sd = 0.5 * sqrt(log(n) * s * (n - s) / n) * (i < 0.5 * n ? -1.0 : 1.0);
            const ptrdiff_t low = (ptrdiff_t)((double)k - i * s / n + sd);
            const ptrdiff_t high = (ptrdiff_t)((double)k + (n - i) * s / n + sd);
            SELECT(a, low > left ? low : left, high < right ? high : right, k, centre, budget);
        }
        const ptrdiff_t place = PARTITION(a, left, right, k, centre);
        left = place <= k ? place + 1 : left;
        right = k <= place ? place - 1 : right;
    }
}

#undef SELECT_T
#undef KEY
#undef SELECT
#undef PARTITION
#undef HEAP_SORT
#undef SIFT
