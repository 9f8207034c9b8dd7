/* rig_internal.h - what the files of this folder share: the node tree, the table of keys, values.
 *
 * Idea: YAML events become a tree of our own in which every node knows its place; overrides edit
 * that tree; one walk against the table finds unknown keys; one loop over the table fills structs.
 * So the file, the overrides and the documentation cannot disagree. */
#ifndef NW_RIG_INTERNAL_H
#define NW_RIG_INTERNAL_H

#include "rig/rig.h"

#define NW_RIG_MAX_BYTES ((size_t)1 << 20)
#define NW_RIG_MAX_DEPTH 32
#define NW_RIG_MAX_NODES 100000
#define NW_RIG_MAX_ENTRIES 1000 /* keys of one map: keeps the check for duplicates cheap */
#define NW_RIG_MAX_PARTS 64     /* of one kind */
#define NW_RIG_MAX_SETUPS 16
#define NW_RIG_MAX_CHANGES 32 /* in the whole file; each is checked by a full read */

/* ---- Tree ---- */

enum nw_rig_node_kind { NW_RIG_SCALAR, NW_RIG_MAP, NW_RIG_LIST };
struct nw_rig_node {
    enum nw_rig_node_kind kind;
    size_t line, column; /* of the key where there is one, else of the value; from 1; line 0: this
                            node came from an override */
    size_t value_line, value_column;
    char *key;  /* in a map; else NULL */
    char *text; /* of a scalar */
    struct nw_rig_node *first, *last, *next;
    size_t n_children;
};

/* Reads one YAML document; *ret is its root, a map. Errors name `name`, line, column. */
enum nw_status nw_rig_tree_parse(const char *name, const char *data, size_t len,
                                 struct nw_rig_node **ret, struct nw_err *err) NW_CHECKED;
/* The same for a value alone (of an override); any kind of root, all lines 0. */
enum nw_status nw_rig_tree_parse_value(const char *data, size_t len, struct nw_rig_node **ret,
                                       struct nw_err *err) NW_CHECKED;
void nw_rig_tree_free(struct nw_rig_node *node);
struct nw_rig_node *nw_rig_tree_new(enum nw_rig_node_kind kind, const char *key, const char *text);
void nw_rig_tree_append(struct nw_rig_node *parent, struct nw_rig_node *child);
struct nw_rig_node *nw_rig_tree_child(const struct nw_rig_node *map, const char *key,
                                      size_t key_len); /* or NULL */
/* By dotted path of plain keys ("habits.airmass"), or NULL. */
const struct nw_rig_node *nw_rig_tree_find(const struct nw_rig_node *map, const char *path);

/* Applies "path=value" to the tree: replaces or adds what `path` names. */
enum nw_status nw_rig_override(struct nw_rig_node *root, const char *setting,
                               struct nw_err *err) NW_CHECKED;
enum nw_status nw_rig_override_path(struct nw_rig_node *root, const char *path, const char *text,
                                    struct nw_err *err) NW_CHECKED;

/* ---- Table of keys ---- */

enum nw_rig_object {
    NW_RIG_TOP,
    NW_RIG_SITE,
    NW_RIG_MOUNT,
    NW_RIG_TELESCOPE,
    NW_RIG_CORRECTOR,
    NW_RIG_FOCUSER,
    NW_RIG_FILTER,
    NW_RIG_CAMERA,
    NW_RIG_CAMERA_SETTING,
    NW_RIG_PIECE,
    NW_RIG_SPACER,
    NW_RIG_BODY,
    NW_RIG_POSITION,
    NW_RIG_CABLE,
    NW_RIG_CIRCUIT,
    NW_RIG_USAGE,
    NW_RIG_STORE,
    NW_RIG_SETUP,
    NW_RIG_SCREW,
    NW_RIG_CHANGE,
    NW_RIG_DAMP,
    NW_RIG_SURFACE,
    NW_RIG_COVER,
    NW_RIG_ROOM,
    NW_RIG_DRYER,
    NW_RIG_LOG,
    NW_RIG_N_OBJECTS
};
enum nw_rig_kind {
    NW_RIG_VALUE,      /* struct nw_val */
    NW_RIG_COUNT,      /* size_t */
    NW_RIG_WORD,       /* char[size]: text, one of `words` where there are any */
    NW_RIG_CARRY,      /* enum nw_carries, in the order of `words` */
    NW_RIG_PART,       /* char[size]: the name of a part, of the inventory `words` */
    NW_RIG_PARTS,      /* struct nw_rig_names: a list of them */
    NW_RIG_WIDTH,      /* an allocation: allowed FWHM of one line of the star-width budget */
    NW_RIG_LOG_LINE,   /* struct nw_log_field: a "name: value" line of a log */
    NW_RIG_LOG_COLUMN, /* struct nw_log_field: a column of a log */
    NW_RIG_SETTINGS    /* path: value pairs of a change */
};
enum {
    NW_RIG_REQUIRED = 1u << 0,
    NW_RIG_WHOLE = 1u << 1,
    NW_RIG_IN_SECTION = 1u << 2 /* its default holds only where its section is in the file */
};

struct nw_rig_key {
    const char *path; /* "telescopes.*.aperture" */
    enum nw_rig_object object;
    enum nw_rig_kind kind;
    enum nw_dim dim;
    const char *min, *max;         /* as text with unit; NULL where there is no range */
    const char *fallback, *spread; /* default and its standard error as text, or NULL */
    const char *why;   /* where the default comes from; without `fallback`: derived so */
    const char *words; /* "a|b|c", or an inventory */
    unsigned flags;
    size_t offset, size;
    const char *meaning;
};
/* A stretch of the table; one in each keys_<topic>.c. */
struct nw_rig_keys {
    const struct nw_rig_key *rows;
    size_t n;
};
extern const struct nw_rig_keys nw_rig_keys_site, nw_rig_keys_parts, nw_rig_keys_path,
    nw_rig_keys_bodies, nw_rig_keys_circuits, nw_rig_keys_places, nw_rig_keys_setups,
    nw_rig_keys_logs, nw_rig_keys_screws, nw_rig_keys_damp;
size_t nw_rig_n_keys(void);
const struct nw_rig_key *nw_rig_key_row(size_t i); /* NULL past the end */

struct nw_rig_object_info {
    const char *prefix, *title, *text;
};
extern const struct nw_rig_object_info nw_rig_objects[NW_RIG_N_OBJECTS];

const struct nw_rig_key *nw_rig_key_of(const char *path); /* by pattern, or NULL */
/* "0.2 arcsec to 20 arcsec", or the words, or "". */
void nw_rig_key_range(const struct nw_rig_key *key, char *text, size_t size);
/* Whether v_si lies within the key's range; NaN does not. */
bool nw_rig_key_allows(const struct nw_rig_key *key, double v_si);

/* Writes `text` in lines of at most 80 columns, each begun by `indent` blanks. */
void nw_rig_wrap(struct nw_buf *buf, const char *text, int indent);

/* ---- Setups before their parts are looked up ---- */

struct nw_rig_staged {
    struct nw_setup setup;
    char telescope[NW_NAME_SIZE], corrector[NW_NAME_SIZE], focuser[NW_NAME_SIZE];
    char filter[NW_NAME_SIZE], camera[NW_NAME_SIZE];
    char guide_telescope[NW_NAME_SIZE], guide_camera[NW_NAME_SIZE];
    struct nw_rig_names filters, off, without, capped, sun_filtered, path, rings;
};

/* ---- Reading values (value.c) ---- */

struct nw_rig_reader {
    const char *file;
    struct nw_rig *rig;
    struct nw_rig_node *root;
    size_t assumptions_cap;
    bool is_muted; /* defaults are not written down: parts that no setup uses */
    struct nw_err *err;
};

/* Sets the error and puts the place in front: "rig.yaml:12:9: path: text". */
enum nw_status nw_rig_fail(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                           const char *path, enum nw_status status, const char *format, ...)
    NW_PRINTF(5, 6);
enum nw_status nw_rig_assume(struct nw_rig_reader *reader, const char *path, const char *value,
                             const char *why) NW_CHECKED;
/* Reads `node` as `key` wants it into `base` + offset. path: for messages. */
enum nw_status nw_rig_value_read(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                 const struct nw_rig_node *node, const char *path,
                                 void *base) NW_CHECKED;
/* What stands there when the file does not say: the default, written down as an assumption; or
 * unknown; or, for required keys, an error at `parent`. */
enum nw_status nw_rig_value_default(struct nw_rig_reader *reader, const struct nw_rig_key *key,
                                    const struct nw_rig_node *parent, const char *path,
                                    void *base) NW_CHECKED;
/* Refuses keys that the table does not have, and sections that are no maps; of all the file, or of
 * one section at its top. */
enum nw_status nw_rig_check_keys(struct nw_rig_reader *reader) NW_CHECKED;
enum nw_status nw_rig_check_section(const struct nw_rig_reader *reader,
                                    const char *section) NW_CHECKED;
/* Fills all keys of one object from its node (NULL: not in the file). path: "telescopes.main". */
enum nw_status nw_rig_object_read(struct nw_rig_reader *reader, enum nw_rig_object object,
                                  const struct nw_rig_node *node, const char *path,
                                  void *base) NW_CHECKED;

/* ---- Parts and setups (parts.c, setups.c) ---- */

/* The parts of one file. Which of them a setup uses decides whose defaults are listed. */
struct nw_rig_inventory {
    const char *key; /* "telescopes" */
    enum nw_rig_object object;
    size_t item_size;
    const struct nw_rig_node *node; /* NULL: the file has none */
    bool is_listed[NW_RIG_MAX_PARTS];
};

struct nw_rig_parts {
    struct nw_rig_inventory telescopes, correctors, focusers, filters, cameras, pieces, spacers,
        bodies, positions, cables, circuits, surfaces;
};

struct nw_rig_parts nw_rig_parts_of(const struct nw_rig_node *root);
/* Every part must be right, also those that no setup uses. */
enum nw_status nw_rig_check_parts(struct nw_rig_reader *reader,
                                  const struct nw_rig_inventory *inv) NW_CHECKED;
/* Copies the named part into `to`. node, path: where it is named, for messages. */
enum nw_status nw_rig_take_part(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
                                const char *name, const struct nw_rig_node *node, const char *path,
                                void *to) NW_CHECKED;
/* Every part of an inventory that no setup names one by one, into a new list. "0 mm" for a place
 * that is not written down, or one ring of a kind, is a way of writing: no assumption is listed. */
enum nw_status nw_rig_take_all(struct nw_rig_reader *reader, struct nw_rig_inventory *inv,
                               void **items, size_t *ret_n) NW_CHECKED;
/* Words become numbers; sizes that the shape needs are there; limits in order. */
enum nw_status nw_rig_finish_body(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                  const char *path, struct nw_body *body) NW_CHECKED;
/* All bodies of the file, into the rig. */
enum nw_status nw_rig_read_bodies(struct nw_rig_reader *reader,
                                  struct nw_rig_inventory *inv) NW_CHECKED;
/* Angles in pairs; words become numbers; all of them into the rig. */
enum nw_status nw_rig_finish_position(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                      const char *path,
                                      const struct nw_position *position) NW_CHECKED;
void nw_rig_finish_cable(struct nw_cable *cable);
struct nw_circuit;
/* Words become numbers; what this kind of circuit needs is there. */
enum nw_status nw_rig_finish_circuit(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                     const char *path, struct nw_circuit *circuit) NW_CHECKED;
/* All circuits, how the rig is used and where frames are kept, into rig->wiring. */
enum nw_status nw_rig_read_circuits(struct nw_rig_reader *reader,
                                    struct nw_rig_inventory *inv) NW_CHECKED;
enum nw_status nw_rig_read_places(struct nw_rig_reader *reader,
                                  struct nw_rig_parts *parts) NW_CHECKED;
/* The circuits that are off in a setup. */
enum nw_status nw_rig_take_off(const struct nw_rig_reader *reader, const struct nw_rig_node *node,
                               const char *path, struct nw_rig_staged *staged) NW_CHECKED;
/* All rings of the file, into the rig. */
enum nw_status nw_rig_read_spacers(struct nw_rig_reader *reader,
                                   struct nw_rig_inventory *inv) NW_CHECKED;
/* Tolerance and shoulder of a corrector, where they follow from the rest. */
enum nw_status nw_rig_finish_corrector(struct nw_rig_reader *reader, const struct nw_rig_node *node,
                                       const char *path, struct nw_corrector *corrector) NW_CHECKED;
/* Pieces and rings of a setup. */
enum nw_status nw_rig_take_path(struct nw_rig_reader *reader, struct nw_rig_parts *parts,
                                const struct nw_rig_node *node, const char *path,
                                struct nw_rig_staged *staged) NW_CHECKED;
/* What the file says about damp; is_there stays false where it says nothing. */
enum nw_status nw_rig_finish_surface(struct nw_rig_reader *reader, const char *path,
                                     struct nw_dew_surface *surface) NW_CHECKED;
enum nw_status nw_rig_read_damp(struct nw_rig_reader *reader,
                                struct nw_rig_parts *parts) NW_CHECKED;
enum nw_status nw_rig_read_setups(struct nw_rig_reader *reader,
                                  struct nw_rig_parts *parts) NW_CHECKED;

/* ---- Logs (logs.c) ---- */

struct nw_log_layout;
struct nw_log_field;
enum nw_status nw_rig_log_field_read(const struct nw_rig_reader *reader,
                                     const struct nw_rig_key *key, const struct nw_rig_node *node,
                                     const char *path, struct nw_log_field *ret) NW_CHECKED;
/* All layouts of the file; none is allowed. *ret is the caller's. */
enum nw_status nw_rig_read_logs(struct nw_rig_reader *reader, struct nw_log_layout **ret,
                                size_t *ret_n) NW_CHECKED;

/* A value worked out from others, and the line about it among the assumptions. */
struct nw_val nw_rig_derived(double v, double sigma);
enum nw_status nw_rig_note_derived(struct nw_rig_reader *reader, const char *pattern,
                                   const char *path, const struct nw_val *val, double unit,
                                   const char *unit_name) NW_CHECKED;

#endif
