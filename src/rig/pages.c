/* pages.c - the table of keys as text of 80 columns and as a Markdown page. */
#include "rig/rig_internal.h"

enum { TEXT_COLUMNS = 80 };

void nw_rig_wrap(struct nw_buf *buf, const char *text, int indent) {
    int column = 0;
    while (*text) {
        text += strspn(text, " ");
        const int n = (int)strcspn(text, " ");
        if (n == 0) {
            break;
        }
        if (column > 0 && column + 1 + n > TEXT_COLUMNS) {
            nw_buf_printf(buf, "\n");
            column = 0;
        }
        if (column == 0) {
            nw_buf_printf(buf, "%*s%.*s", indent, "", n, text);
            column = indent + n;
        } else {
            nw_buf_printf(buf, " %.*s", n, text);
            column += 1 + n;
        }
        text += n;
    }
    nw_buf_printf(buf, "\n");
}

/* "mono|RGGB" -> "mono, RGGB". */
static void write_words(struct nw_buf *buf, const char *words) {
    for (const char *c = words; *c; c++) {
        if (*c == '|') {
            nw_buf_printf(buf, ", ");
        } else {
            nw_buf_printf(buf, "%c", *c);
        }
    }
}

/* What the key holds: "an angle, 0.2 arcsec to 20 arcsec". */
static void write_holds(struct nw_buf *buf, const struct nw_rig_key *key) {
    char range[96];
    nw_rig_key_range(key, range, sizeof range);
    switch (key->kind) {
    case NW_RIG_VALUE:
    case NW_RIG_COUNT:
    case NW_RIG_WIDTH:
        nw_buf_printf(buf, "%s, %s",
                      key->flags & NW_RIG_WHOLE ? "a whole number" : nw_dim_words(key->dim), range);
        break;
    case NW_RIG_WORD:
    case NW_RIG_CARRY:
        if (key->words) {
            nw_buf_printf(buf, "one of: ");
            write_words(buf, key->words);
        } else {
            nw_buf_printf(buf, "text of at most %zu bytes", key->size - 1);
        }
        break;
    case NW_RIG_PART:
        nw_buf_printf(buf, "a name from %s", key->words);
        break;
    case NW_RIG_PARTS:
        nw_buf_printf(buf, key->words[0] ? "a list of names from %s" : "a list of names%s",
                      key->words);
        break;
    case NW_RIG_SETTINGS:
        nw_buf_printf(buf, "a section of path: value pairs");
        break;
    case NW_RIG_LOG_LINE:
        nw_buf_printf(buf, "a name, or {name or value, unit, factor}");
        break;
    case NW_RIG_LOG_COLUMN:
        nw_buf_printf(buf, "a heading or a number, or {column, unit, factor}");
        break;
    }
}

/* What stands there when the file does not say. */
static void write_default(struct nw_buf *buf, const struct nw_rig_key *key) {
    if (key->flags & NW_RIG_REQUIRED) {
        nw_buf_printf(buf, "required");
    } else if (key->fallback && key->spread) {
        nw_buf_printf(buf, "%s +- %s (%s)", key->fallback, key->spread, key->why);
    } else if (key->fallback && *key->fallback) {
        nw_buf_printf(buf, "%s%s%s%s", key->fallback, key->why ? " (" : "",
                      key->why ? key->why : "", key->why ? ")" : "");
    } else if (key->why) {
        nw_buf_printf(buf, "from others: %s", key->why);
    } else {
        nw_buf_printf(buf, "none");
    }
}

bool nw_rig_key_at(size_t i, struct nw_rig_key_info *ret) {
    if (i >= nw_rig_n_keys()) {
        return false;
    }
    const struct nw_rig_key *const key = nw_rig_key_row(i);
    struct nw_buf text;
    *ret = (struct nw_rig_key_info){.path = key->path,
                                    .meaning = key->meaning,
                                    .is_required = (key->flags & NW_RIG_REQUIRED) != 0};
    nw_buf_init(&text, 1000);
    write_holds(&text, key);
    nw_text_copy(ret->holds, sizeof ret->holds, text.data ? text.data : "");
    nw_buf_done(&text);
    nw_buf_init(&text, 1000);
    write_default(&text, key);
    nw_text_copy(ret->left_out, sizeof ret->left_out, text.data ? text.data : "");
    nw_buf_done(&text);
    return true;
}

static void text_key(struct nw_buf *buf, const struct nw_rig_key *key) {
    struct nw_buf line;
    nw_buf_init(&line, 4096);
    nw_buf_printf(buf, "%s\n", key->path);
    nw_rig_wrap(buf, key->meaning, 4);
    write_holds(&line, key);
    nw_buf_printf(&line, "; %s", key->flags & NW_RIG_REQUIRED ? "" : "default ");
    write_default(&line, key);
    nw_rig_wrap(buf, line.data ? line.data : "", 4);
    nw_buf_done(&line);
}

static void markdown_key(struct nw_buf *buf, const struct nw_rig_key *key,
                         const struct nw_rig_object_info *info) {
    nw_buf_printf(buf, "| `%s` | ", key->path + strlen(info->prefix));
    write_holds(buf, key);
    nw_buf_printf(buf, " | ");
    write_default(buf, key);
    nw_buf_printf(buf, " | %s |\n", key->meaning);
}

static const char INTRO[] =
    "A rig file is YAML: sections, names and values. A value is a plain quantity with its unit "
    "(\"448 mm\") or {value: 448 mm, sigma: 4 mm, from: measured}. sigma is the standard error, in "
    "the unit of the value or in percent of it (\"1 %\"); of a temperature it is a difference "
    "(\"0.5 K\"). from is given, header, assumed or measured; a plain value is given. What is not "
    "in the file and has a default is assumed, and listed as assumed. A * in a path stands for a "
    "name of your choice. Any value can be changed on the command line by its path: --set "
    "\"setups.deep.habits.focus_interval=20 min\". Not understood: anchors, aliases, tags, merge "
    "keys.";

enum nw_status nw_rig_keys(bool as_markdown, struct nw_buf *ret, struct nw_err *err) {
    if (as_markdown) {
        nw_buf_printf(ret,
                      "# Keys of a rig file\n\n<!-- made by `nightwright rig --keys --markdown`; "
                      "change src/rig/keys.c -->\n\n%s\n",
                      INTRO);
    } else {
        nw_rig_wrap(ret, INTRO, 0);
    }
    for (int object = 0; object < NW_RIG_N_OBJECTS; object++) {
        const struct nw_rig_object_info *const info = &nw_rig_objects[object];
        if (as_markdown) {
            nw_buf_printf(ret, "\n## %s\n\n%s%s%s%s\n\n", info->title, *info->prefix ? "`" : "",
                          info->prefix, *info->prefix ? "` " : "", info->text);
            nw_buf_printf(ret, "| key | holds | when left out | meaning |\n|---|---|---|---|\n");
        } else {
            char head[160];
            (void)snprintf(head, sizeof head, "%s. %s", info->title, info->text);
            nw_buf_printf(ret, "\n");
            nw_rig_wrap(ret, head, 0);
            nw_buf_printf(ret, "\n");
        }
        for (size_t i = 0; i < nw_rig_n_keys(); i++) {
            if (nw_rig_key_row(i)->object != (enum nw_rig_object)object) {
                continue;
            }
            if (as_markdown) {
                markdown_key(ret, nw_rig_key_row(i), info);
            } else {
                text_key(ret, nw_rig_key_row(i));
            }
        }
    }
    return nw_buf_failed(ret) ? nw_err_set(err, NW_LIMIT, "the page of keys does not fit") : NW_OK;
}
