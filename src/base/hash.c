/* hash.c - see hash.h. A change while reading shows in size or time of change, before against
 * after: half-written files are no content. */
#include "base/hash.h"

#include <errno.h>
#include <fcntl.h>
#include <nettle/sha2.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/base_internal.h"

_Static_assert(NW_HASH_BYTES == SHA256_DIGEST_SIZE, "SHA-256");

enum { PIECE = 1 << 18 };

struct nw_hash nw_hash_of(const void *data, size_t len) {
    struct sha256_ctx context;
    struct nw_hash hash;
    sha256_init(&context);
    if (len > 0) {
        sha256_update(&context, len, data);
    }
    sha256_digest(&context, sizeof hash.bytes, hash.bytes);
    return hash;
}

static int64_t mtime_of(const struct stat *st) {
    return (int64_t)st->st_mtim.tv_sec * 1000000000 + (int64_t)st->st_mtim.tv_nsec;
}

static enum nw_status need_regular(const char *path, int failed, const struct stat *st,
                                   struct nw_err *err) {
    if (failed != 0) {
        return base_fail_errno(path, "cannot stat", errno, err);
    }
    if (!S_ISREG(st->st_mode)) {
        return nw_err_set(err, NW_FORMAT, "%s: is %s, expected a file", path,
                          S_ISDIR(st->st_mode) ? "a folder" : "a device or pipe");
    }
    return NW_OK;
}

static enum nw_status hash_all(int fd, const char *path, struct sha256_ctx *context,
                               struct nw_err *err) {
    uint8_t *const piece = malloc(PIECE);
    if (!piece) {
        return nw_err_set(err, NW_NOMEM, "%s: %d bytes", path, PIECE);
    }
    enum nw_status status = NW_OK;
    ssize_t got = 1;
    while (status == NW_OK && got != 0) {
        got = read(fd, piece, PIECE);
        if (got > 0) {
            sha256_update(context, (size_t)got, piece);
        } else if (got < 0 && errno != EINTR) {
            status = base_fail_errno(path, "cannot read", errno, err);
        }
    }
    free(piece);
    return status;
}

enum nw_status nw_hash_file(const char *path, struct nw_file_id *ret, struct nw_err *err) {
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0) {
        return base_fail_errno(path, "cannot open", errno, err);
    }
    struct stat before;
    struct stat after;
    struct sha256_ctx context;
    sha256_init(&context);
    enum nw_status status = need_regular(path, fstat(fd, &before), &before, err);
    if (status == NW_OK) {
        status = hash_all(fd, path, &context, err);
    }
    if (status == NW_OK) {
        status = need_regular(path, fstat(fd, &after), &after, err);
    }
    if (status == NW_OK &&
        (before.st_size != after.st_size || mtime_of(&before) != mtime_of(&after))) {
        status = nw_err_set(err, NW_IO, "%s: changed while it was read: still being written", path);
    }
    if (status == NW_OK) {
        *ret = (struct nw_file_id){.size_bytes = after.st_size, .mtime_ns = mtime_of(&after)};
        sha256_digest(&context, sizeof ret->hash.bytes, ret->hash.bytes);
    }
    (void)close(fd);
    return status;
}

enum nw_status nw_file_stat(const char *path, int64_t *ret_size_bytes, int64_t *ret_mtime_ns,
                            struct nw_err *err) {
    struct stat st;
    const enum nw_status status = need_regular(path, stat(path, &st), &st, err);
    if (status != NW_OK) {
        return status;
    }
    *ret_size_bytes = st.st_size;
    *ret_mtime_ns = mtime_of(&st);
    return NW_OK;
}

void nw_hash_text(const struct nw_hash *hash, char text[NW_HASH_TEXT]) {
    static const char DIGITS[] = "0123456789abcdef";
    for (size_t i = 0; i < NW_HASH_BYTES; i++) {
        text[2 * i] = DIGITS[hash->bytes[i] >> 4];
        text[2 * i + 1] = DIGITS[hash->bytes[i] & 15];
    }
    text[NW_HASH_TEXT - 1] = '\0';
}
