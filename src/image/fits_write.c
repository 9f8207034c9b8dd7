/* fits_write.c - nw_frame_write: a plain FITS image, written beside the target and renamed.
 * Idea: cards are formed as the standard's fixed format wants them, so that any reader takes them;
 * a text too long for one card continues (CONTINUE). What the shape of the image says is written
 * from the image, never from the given cards.
 * Standard: FITS 4.0 sec. 4.2 (values), 4.2.1.2 (CONTINUE), 5.2.5 (unsigned by BZERO), 3.3. */
#include <errno.h>
#include <fcntl.h>
#include <unistd.h>

#include "image/fits_internal.h"

enum { MAX_HEADER_BYTES = 4 << 20, TEXT_PER_CARD = 66 };

static void add_card(struct nw_buf *header, const char *text) {
    nw_buf_printf(header, "%-80.80s", text);
}

static void add_whole(struct nw_buf *header, const char *key, long long value,
                      const char *comment) {
    char text[128];
    (void)snprintf(text, sizeof text, "%-8s= %20lld / %s", key, value, comment);
    add_card(header, text);
}

/* Quotes doubled; nothing but printable ASCII may stand in a header (sec. 4.1.2.3). */
static void quote(const char *text, char *to, size_t size) {
    size_t n = 0;
    for (const char *p = text; *p && n + 3 < size; p++) {
        const unsigned char byte = (unsigned char)*p;
        if (byte >= 0x80 && (byte & 0xc0) == 0x80) {
            continue; /* the rest of a character that became one '?' */
        }
        to[n++] = byte >= 0x20 && byte < 0x7f ? *p : '?';
        if (*p == '\'') {
            to[n++] = '\'';
        }
    }
    to[n] = '\0';
}

/* As many bytes of a quoted text as one card takes, without cutting a doubled quote. */
static size_t fit_length(const char *quoted, size_t most) {
    const size_t n = strlen(quoted);
    if (n <= most) {
        return n;
    }
    size_t n_quotes = 0;
    while (n_quotes < most && quoted[most - 1 - n_quotes] == '\'') {
        n_quotes++;
    }
    return n_quotes % 2 == 1 ? most - 1 : most;
}

static void add_text(struct nw_buf *header, const char *start, const struct nw_card *card) {
    char quoted[2 * sizeof card->value + 4];
    char comment[2 * sizeof card->comment + 4];
    quote(card->value, quoted, sizeof quoted);
    quote(card->comment, comment, sizeof comment);
    char text[sizeof quoted + sizeof comment + 100];
    size_t room = NW_FITS_CARD - strlen(start) - 3; /* two quotes and '&' */
    const char *rest = quoted;
    const char *lead = start;
    while (strlen(rest) > room + 1) {
        const size_t n = fit_length(rest, room);
        (void)snprintf(text, sizeof text, "%s'%.*s&'", lead, (int)n, rest);
        add_card(header, text);
        rest += n;
        lead = "CONTINUE  ";
        room = NW_FITS_CARD - strlen(lead) - 3;
    }
    (void)snprintf(text, sizeof text, "%s'%-8s'%s%s", lead, rest, comment[0] ? " / " : "", comment);
    add_card(header, text);
}

static bool is_number_value(const char *value) {
    double number = 0.0;
    return strcmp(value, "T") == 0 || strcmp(value, "F") == 0 || value[0] == '\0' ||
           nw_text_to_double(value, &number) || (value[0] == '(' && strchr(value, ')'));
}

static enum nw_status check_key(const struct nw_card *card, struct nw_err *err) {
    for (const char *p = card->key; *p; p++) {
        const bool is_allowed = (*p >= 'A' && *p <= 'Z') || (*p >= '0' && *p <= '9') || *p == '-' ||
                                *p == '_' || (*p == ' ' && p != card->key);
        if (!is_allowed) {
            return nw_err_set(err, NW_DOMAIN, "keyword '%.71s': only A-Z, 0-9, - and _ are allowed",
                              card->key);
        }
    }
    if (card->key[0] == '\0' || strlen(card->key) > 60) {
        return nw_err_set(err, NW_DOMAIN, "keyword '%.71s': expected 1 to 60 characters",
                          card->key);
    }
    if (!card->is_text && !is_number_value(card->value)) {
        return nw_err_set(err, NW_DOMAIN, "keyword %s: value '%.40s' is neither number, T nor F",
                          card->key, card->value);
    }
    return NW_OK;
}

static enum nw_status add_user_card(struct nw_buf *header, const struct nw_card *card,
                                    struct nw_err *err) {
    if (nw_fits_key_is_structural(card->key)) {
        return NW_OK;
    }
    const enum nw_status status = check_key(card, err);
    if (status != NW_OK) {
        return status;
    }
    char start[80];
    char text[2 * sizeof card->value + 160];
    if (strcmp(card->key, "COMMENT") == 0 || strcmp(card->key, "HISTORY") == 0) {
        char shown[sizeof card->value];
        nw_text_copy(shown, sizeof shown, card->value);
        for (char *p = shown; *p; p++) {
            *p = *p >= 0x20 && *p < 0x7f ? *p : '?';
        }
        for (size_t at = 0; at == 0 || at < strlen(shown); at += 72) {
            (void)snprintf(text, sizeof text, "%-8s%.72s", card->key, shown + at);
            add_card(header, text);
        }
        return NW_OK;
    }
    const bool is_short = strlen(card->key) <= 8 && !strchr(card->key, ' ');
    (void)snprintf(start, sizeof start, is_short ? "%-8s= " : "HIERARCH %s = ", card->key);
    if (card->is_text) {
        add_text(header, start, card);
        return NW_OK;
    }
    char comment[2 * sizeof card->comment + 4];
    char value[sizeof card->value];
    quote(card->comment, comment, sizeof comment);
    nw_text_copy(value, sizeof value, card->value);
    for (char *p = value; *p; p++) { /* the standard knows no 1e-5, only 1E-5 */
        *p = *p == 'e' ? 'E' : *p;
    }
    (void)snprintf(text, sizeof text, "%s%*s%s%s", start, is_short ? 20 : 1, value,
                   comment[0] ? " / " : "", comment);
    add_card(header, text);
    return NW_OK;
}

static enum nw_status make_header(const struct nw_frame_out *out, struct nw_buf *header,
                                  struct nw_err *err) {
    add_card(header, "SIMPLE  =                    T / FITS 4.0");
    add_whole(header, "BITPIX", out->bitpix, "bits per pixel, negative: IEEE float");
    add_whole(header, "NAXIS", out->n_planes == 1 ? 2 : 3, "number of axes");
    add_whole(header, "NAXIS1", (long long)out->width_px, "columns");
    add_whole(header, "NAXIS2", (long long)out->height_px, "rows");
    if (out->n_planes == 3) {
        add_whole(header, "NAXIS3", 3, "planes R, G, B");
    }
    if (out->bitpix == 16) {
        add_whole(header, "BZERO", 32768, "unsigned 16-bit values");
        add_whole(header, "BSCALE", 1, "value = BZERO + BSCALE * stored");
    }
    for (size_t i = 0; i < out->n_cards; i++) {
        const enum nw_status status = add_user_card(header, &out->cards[i], err);
        if (status != NW_OK) {
            return status;
        }
    }
    add_card(header, "END");
    while (!nw_buf_failed(header) && header->len % NW_FITS_BLOCK != 0) {
        nw_buf_printf(header, "%80s", "");
    }
    return nw_buf_failed(header)
               ? nw_err_set(err, NW_LIMIT, "header of more than %d bytes", MAX_HEADER_BYTES)
               : NW_OK;
}

static enum nw_status write_all(int fd, const unsigned char *bytes, size_t n, struct nw_err *err) {
    while (n > 0) {
        const ssize_t done = write(fd, bytes, n);
        if (done < 0 && errno == EINTR) {
            continue;
        }
        if (done <= 0) {
            return nw_err_set(err, NW_IO, "writing failed: %s", strerror(errno));
        }
        bytes += done;
        n -= (size_t)done;
    }
    return NW_OK;
}

/* Pixels of the machine to the bytes of the file. */
static void store_pixels(const struct nw_frame_out *out, size_t first, size_t n,
                         unsigned char *bytes) {
    if (out->bitpix == 8) {
        memcpy(bytes, (const unsigned char *)out->px + first, n);
        return;
    }
    if (out->bitpix == 16) {
        const uint16_t *const px = (const uint16_t *)out->px + first;
        for (size_t i = 0; i < n; i++) {
            const unsigned stored = px[i] ^ 0x8000u; /* value - 32768 in two's complement */
            bytes[2 * i] = (unsigned char)(stored >> 8);
            bytes[2 * i + 1] = (unsigned char)stored;
        }
        return;
    }
    const float *const px = (const float *)out->px + first;
    for (size_t i = 0; i < n; i++) {
        uint32_t bits = 0;
        memcpy(&bits, &px[i], sizeof bits);
        for (size_t k = 0; k < 4; k++) {
            bytes[4 * i + k] = (unsigned char)(bits >> (24 - 8 * k));
        }
    }
}

static enum nw_status write_file(int fd, const struct nw_frame_out *out,
                                 const struct nw_buf *header, struct nw_err *err) {
    enum nw_status status = write_all(fd, (const unsigned char *)header->data, header->len, err);
    const size_t pixel_bytes = (size_t)abs(out->bitpix) / 8;
    const size_t n_pixels = out->width_px * out->height_px * out->n_planes;
    const size_t per_piece = NW_FITS_PIECE / pixel_bytes;
    unsigned char *const piece = nw_calloc(1, NW_FITS_PIECE);
    if (!piece) {
        return nw_err_set(err, NW_NOMEM, "%d bytes", NW_FITS_PIECE);
    }
    for (size_t first = 0; status == NW_OK && first < n_pixels; first += per_piece) {
        const size_t n = n_pixels - first < per_piece ? n_pixels - first : per_piece;
        store_pixels(out, first, n, piece);
        status = write_all(fd, piece, n * pixel_bytes, err);
    }
    const size_t over = n_pixels * pixel_bytes % NW_FITS_BLOCK;
    if (status == NW_OK && over > 0) {
        memset(piece, 0, NW_FITS_BLOCK);
        status = write_all(fd, piece, NW_FITS_BLOCK - over, err);
    }
    free(piece);
    return status;
}

static enum nw_status check_out(const struct nw_frame_out *out, struct nw_err *err) {
    if (out->bitpix != 8 && out->bitpix != 16 && out->bitpix != -32) {
        return nw_err_set(err, NW_DOMAIN, "bitpix %d is not written, expected 8, 16 or -32",
                          out->bitpix);
    }
    if (out->n_planes != 1 && out->n_planes != 3) {
        return nw_err_set(err, NW_DOMAIN, "%zu planes, expected 1 or 3", out->n_planes);
    }
    if (out->width_px == 0 || out->height_px == 0 || !out->px ||
        out->width_px > NW_FITS_MAX_PIXELS || out->height_px > NW_FITS_MAX_PIXELS ||
        out->width_px * out->n_planes > NW_FITS_MAX_PIXELS / out->height_px) {
        return nw_err_set(err, NW_DOMAIN, "image of %zu x %zu x %zu pixels, expected 1 to 400 Mpx",
                          out->width_px, out->height_px, out->n_planes);
    }
    return NW_OK;
}

enum nw_status nw_frame_write(const char *path, const struct nw_frame_out *out,
                              struct nw_err *err) {
    struct nw_buf header;
    char *temp = NULL;
    int fd = -1;
    nw_buf_init(&header, MAX_HEADER_BYTES);
    enum nw_status status = check_out(out, err);
    if (status == NW_OK) {
        status = make_header(out, &header, err);
    }
    if (status == NW_OK) {
        status = nw_file_temp(path, &temp, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    fd = open(temp, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (fd < 0) {
        status = nw_err_set(err, NW_IO, "cannot write %s: %s", path, strerror(errno));
        goto done;
    }
    status = write_file(fd, out, &header, err);
    if (close(fd) != 0 && status == NW_OK) {
        status = nw_err_set(err, NW_IO, "closing failed: %s", strerror(errno));
    }
    if (status == NW_OK) {
        status = nw_file_commit(temp, path, err);
    }
done:
    if (status != NW_OK && temp) {
        nw_file_drop(temp);
    }
    free(temp);
    nw_buf_done(&header);
    return status;
}
