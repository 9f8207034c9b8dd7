/* fuzz_votable.c - any bytes as a VOTable: refused, or CSV that the table reader takes or refuses.
 */
#include "fuzz.h"
#include "image/lists_internal.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    char *const text = malloc(size + 1);
    struct nw_buf csv;
    struct nw_err err = {0};
    if (!text) {
        return 0;
    }
    if (size > 0) {
        memcpy(text, data, size);
    }
    text[size] = '\0';
    nw_buf_init(&csv, (size_t)1 << 24);
    if (nw_list_votable_to_csv("v.xml", text, size, &csv, &err) == NW_OK) {
        struct nw_table *table = NULL;
        if (csv.data && nw_table_parse("v.xml", csv.data, csv.len, &table, &err) == NW_OK) {
            nw_table_free(table);
        }
    } else if (!strstr(err.text, "v.xml")) {
        abort();
    }
    nw_buf_done(&csv);
    free(text);
    return 0;
}
