/* use.c - what a frame is for, by its image type.
 * The words are common practice, no source. "dark flat" is a dark, "sky flat" a flat. */
#include "image/image.h"

static bool holds(const char *text, const char *word) {
    const size_t len = strlen(word);
    for (const char *at = text; strlen(at) >= len; at++) {
        if (strncasecmp(at, word, len) == 0) {
            return true;
        }
    }
    return false;
}

enum nw_frame_use nw_frame_use_of(const struct nw_frame_facts *facts) {
    static const struct {
        const char *word;
        enum nw_frame_use use;
    } WORDS[] = {
        {"bias", NW_USE_BIAS},   {"zero", NW_USE_BIAS},   {"dark", NW_USE_DARK},
        {"flat", NW_USE_FLAT},   {"light", NW_USE_LIGHT}, {"object", NW_USE_LIGHT},
        {"scien", NW_USE_LIGHT}, {"sci", NW_USE_LIGHT},   {"target", NW_USE_LIGHT},
    };
    if (facts->image_type[0] == '\0') {
        return NW_USE_LIGHT;
    }
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
        if (holds(facts->image_type, WORDS[i].word)) {
            return WORDS[i].use;
        }
    }
    return NW_USE_OTHER;
}

const char *nw_frame_use_word(enum nw_frame_use use) {
    static const char *const WORDS[] = {
#define X(name, word) word,
        NW_FRAME_USE_LIST(X)
#undef X
    };
    return WORDS[use];
}
