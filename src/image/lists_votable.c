/* lists_votable.c - the first table of a VOTable as CSV (IVOA VOTable 1.4, TABLEDATA).
 * Idea: libxml2's reader, event by event, without entities, without network. FIELD gives a column,
 * TR a row, TD a cell; the first TABLE with data counts. Namespaces are ignored. */
#include <libxml/xmlreader.h>

#include "image/lists_internal.h"

struct reading {
    struct nw_buf *csv;
    size_t n_fields, n_cells, n_rows;
    bool is_table, is_done, is_binary;
};

static const char *text_of(const xmlChar *text) {
    return text ? (const char *)text : "";
}

static void on_element(xmlTextReaderPtr reader, struct reading *r) {
    const char *const name = text_of(xmlTextReaderConstLocalName(reader));
    if (strcmp(name, "FIELD") == 0 && !r->is_done && r->n_rows == 0) {
        static const xmlChar NAME[] = "name";
        xmlChar *const title = xmlTextReaderGetAttribute(reader, NAME);
        nw_list_cell(r->csv, text_of(title), r->n_fields == 0);
        r->n_fields++;
        xmlFree(title);
    } else if (strcmp(name, "TABLEDATA") == 0 && !r->is_done) {
        r->is_table = true;
        nw_buf_printf(r->csv, "\n");
    } else if (r->is_table && strcmp(name, "TR") == 0) {
        r->n_cells = 0;
    } else if (r->is_table && strcmp(name, "TD") == 0) {
        xmlChar *const text = xmlTextReaderReadString(reader);
        if (r->n_cells < r->n_fields) {
            nw_list_cell(r->csv, text_of(text), r->n_cells == 0);
        }
        r->n_cells++;
        xmlFree(text);
    } else if (strcmp(name, "BINARY") == 0 || strcmp(name, "BINARY2") == 0 ||
               strcmp(name, "FITS") == 0) {
        r->is_binary = true;
    }
}

static void on_end(xmlTextReaderPtr reader, struct reading *r) {
    const char *const name = text_of(xmlTextReaderConstLocalName(reader));
    if (r->is_table && strcmp(name, "TR") == 0) {
        for (; r->n_cells < r->n_fields; r->n_cells++) {
            nw_list_cell(r->csv, "", r->n_cells == 0);
        }
        nw_buf_printf(r->csv, "\n");
        r->n_rows++;
    } else if (strcmp(name, "TABLEDATA") == 0) {
        r->is_done = r->is_table;
        r->is_table = false;
    }
}

static void quiet(void *user, const char *message, xmlParserSeverities severity,
                  xmlTextReaderLocatorPtr locator) {
    int *const line = user;
    (void)message;
    (void)severity;
    *line = *line ? *line : xmlTextReaderLocatorLineNumber(locator);
}

enum nw_status nw_list_votable_to_csv(const char *path, const char *data, size_t len,
                                      struct nw_buf *csv, struct nw_err *err) {
    struct reading r = {.csv = csv};
    int line = 0;
    const xmlTextReaderPtr reader =
        xmlReaderForMemory(data, (int)len, NULL, NULL, XML_PARSE_NONET | XML_PARSE_NOCDATA);
    if (!reader) {
        return nw_err_set(err, NW_NOMEM, "%s", path);
    }
    xmlTextReaderSetErrorHandler(reader, quiet, &line);
    int more = xmlTextReaderRead(reader);
    while (more == 1 && !r.is_done) {
        const int type = xmlTextReaderNodeType(reader);
        const bool is_empty = xmlTextReaderIsEmptyElement(reader) == 1;
        if (type == XML_READER_TYPE_ELEMENT) {
            on_element(reader, &r);
        }
        if (type == XML_READER_TYPE_END_ELEMENT || (type == XML_READER_TYPE_ELEMENT && is_empty)) {
            on_end(reader, &r);
        }
        more = xmlTextReaderRead(reader);
    }
    xmlFreeTextReader(reader);
    if (more < 0) {
        return nw_err_set(err, NW_FORMAT, "%s:%d: not well-formed XML", path, line);
    }
    if (!r.is_done) {
        return nw_err_set(err, NW_FORMAT, "%s: %s", path,
                          r.is_binary ? "a VOTable with binary data, expected TABLEDATA: ask the "
                                        "archive for text"
                                      : "XML without a VOTable's TABLEDATA");
    }
    return NW_OK;
}
