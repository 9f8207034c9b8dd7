/* file.c - see file.h; listing folders is in list.c.
 * Idea: everything is written beside the target under a fresh hidden name, synced, then renamed;
 * the folder is synced too, or the name itself could be lost.
 * Holds: a target that is a link is followed, so the file it names is replaced, not the link. */
#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/base_internal.h"

enum { READ_CHUNK = 1 << 16, STEM_MAX = 200 };

enum nw_status base_fail_errno(const char *path, const char *what, int number, struct nw_err *err) {
    char reason[128] = "";
    if (strerror_r(number, reason, sizeof reason) != 0) {
        (void)snprintf(reason, sizeof reason, "error %d", number);
    }
    const enum nw_status status = number == ENOENT || number == ENOTDIR ? NW_NOTFOUND
                                  : number == ENOMEM                    ? NW_NOMEM
                                                                        : NW_IO;
    return nw_err_set(err, status, "%s: %s: %s", path, what, reason);
}

/* Opens a regular file and nothing else; a pipe must not block us. */
static enum nw_status open_regular(const char *path, int *ret_fd, size_t *ret_size,
                                   struct nw_err *err) {
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0) {
        return base_fail_errno(path, "cannot open", errno, err);
    }
    struct stat st;
    if (fstat(fd, &st) != 0) {
        const int number = errno;
        (void)close(fd);
        return base_fail_errno(path, "cannot stat", number, err);
    }
    if (!S_ISREG(st.st_mode)) {
        (void)close(fd);
        return nw_err_set(err, NW_FORMAT, "%s: is %s, expected a file", path,
                          S_ISDIR(st.st_mode) ? "a folder" : "a device or pipe");
    }
    *ret_fd = fd;
    *ret_size = st.st_size > 0 ? (size_t)st.st_size : 0;
    return NW_OK;
}

static enum nw_status read_all(int fd, const char *path, size_t max_bytes, struct nw_buf *buf,
                               struct nw_err *err) {
    char *const chunk = malloc(READ_CHUNK);
    if (!chunk) {
        return nw_err_set(err, NW_NOMEM, "%s: %d bytes", path, READ_CHUNK);
    }
    enum nw_status status = NW_OK;
    while (status == NW_OK) {
        const ssize_t got = read(fd, chunk, READ_CHUNK);
        if (got == 0) {
            break;
        }
        if (got < 0) {
            status = errno == EINTR ? NW_OK : base_fail_errno(path, "cannot read", errno, err);
        } else if ((size_t)got > max_bytes - buf->len) {
            status = nw_err_set(err, NW_LIMIT, "%s: holds more than %zu bytes", path, max_bytes);
        } else {
            status = nw_buf_add(buf, chunk, (size_t)got, err);
        }
    }
    free(chunk);
    return status;
}

enum nw_status nw_file_read(const char *path, size_t max_bytes, char **ret_data, size_t *ret_len,
                            struct nw_err *err) {
    int fd = -1;
    size_t size = 0;
    enum nw_status status = open_regular(path, &fd, &size, err);
    if (status != NW_OK) {
        return status;
    }
    struct nw_buf buf;
    nw_buf_init(&buf, max_bytes < SIZE_MAX / 4 ? max_bytes + 1 : SIZE_MAX / 4);
    if (size > max_bytes) {
        status = nw_err_set(err, NW_LIMIT, "%s: holds %zu bytes, at most %zu are read", path, size,
                            max_bytes);
        goto done;
    }
    status = read_all(fd, path, max_bytes, &buf, err);
    if (status == NW_OK && !buf.data) {
        status = nw_buf_add(&buf, "", 0, err); /* an empty file is empty text, not NULL */
    }
    if (status == NW_OK) {
        *ret_data = buf.data;
        *ret_len = buf.len;
        buf.data = NULL; /* handed over */
    }
done:
    nw_buf_done(&buf);
    (void)close(fd);
    return status;
}

bool nw_file_is_there(const char *path) {
    struct stat st;
    return stat(path, &st) == 0;
}

bool nw_file_is_folder(const char *path) {
    struct stat st;
    return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

const char *nw_file_base_name(const char *path) {
    const char *const slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

/* The file that `path` names once links are followed; yours to free. */
static enum nw_status resolve_target(const char *path, char **ret, struct nw_err *err) {
    const char *const base = nw_file_base_name(path);
    if (*base == '\0' || strcmp(base, ".") == 0 || strcmp(base, "..") == 0) {
        return nw_err_set(err, NW_DOMAIN, "\"%s\" names no file to write", path);
    }
    struct stat st;
    char *target = NULL;
    if (lstat(path, &st) == 0 && S_ISLNK(st.st_mode)) {
        target = realpath(path, NULL);
        if (!target) {
            return base_fail_errno(path, "is a link that leads nowhere", errno, err);
        }
    } else {
        target = nw_strdup(path);
    }
    if (!target) {
        return nw_err_set(err, NW_NOMEM, "%s: a path", path);
    }
    if (stat(target, &st) == 0 && !S_ISREG(st.st_mode)) {
        free(target);
        return nw_err_set(err, NW_DOMAIN, "%s: is %s, expected a file to write", path,
                          S_ISDIR(st.st_mode) ? "a folder" : "a device or pipe");
    }
    *ret = target;
    return NW_OK;
}

enum nw_status nw_file_temp(const char *path, char **ret_temp, struct nw_err *err) {
    char *target = NULL;
    enum nw_status status = resolve_target(path, &target, err);
    if (status != NW_OK) {
        return status;
    }
    const int n_folder = (int)(nw_file_base_name(target) - target);
    struct nw_buf name;
    nw_buf_init(&name, 1 << 16);
    nw_buf_printf(&name, "%.*s.%.*s.XXXXXX", n_folder, target, STEM_MAX, target + n_folder);
    if (nw_buf_failed(&name) || !name.data) {
        status = nw_err_set(err, NW_NOMEM, "%s: a temporary name", path);
        goto done;
    }
    const int fd = mkstemp(name.data);
    if (fd < 0) {
        status = base_fail_errno(path, "cannot write in its folder", errno, err);
        goto done;
    }
    /* Only the name is wanted: whoever creates the file gets the permissions of the umask. */
    (void)close(fd);
    (void)unlink(name.data);
    *ret_temp = name.data;
    name.data = NULL; /* handed over */
done:
    nw_buf_done(&name);
    free(target);
    return status;
}

static enum nw_status sync_path(const char *path, int flags, struct nw_err *err) {
    const int fd = open(path, O_RDONLY | O_CLOEXEC | flags);
    if (fd < 0) {
        return base_fail_errno(path, "cannot open for syncing", errno, err);
    }
    /* EINVAL: a file system that cannot sync this kind of thing; nothing more can be done. */
    const int number = fsync(fd) != 0 && errno != EINVAL ? errno : 0;
    (void)close(fd);
    return number ? base_fail_errno(path, "cannot sync", number, err) : NW_OK;
}

static enum nw_status sync_folder_of(const char *target, struct nw_err *err) {
    char *const folder = nw_strdup(target);
    if (!folder) {
        return nw_err_set(err, NW_NOMEM, "%s: a path", target);
    }
    char *const slash = strrchr(folder, '/');
    if (slash) {
        slash[slash == folder ? 1 : 0] = '\0';
    }
    const enum nw_status status = sync_path(slash ? folder : ".", O_DIRECTORY, err);
    free(folder);
    return status;
}

enum nw_status nw_file_commit(const char *temp, const char *path, struct nw_err *err) {
    char *target = NULL;
    struct stat st;
    enum nw_status status = resolve_target(path, &target, err);
    if (status == NW_OK && stat(target, &st) == 0 && chmod(temp, st.st_mode & 07777) != 0) {
        status = base_fail_errno(path, "cannot keep its permissions", errno, err);
    }
    if (status == NW_OK) {
        status = sync_path(temp, 0, err);
    }
    if (status == NW_OK && rename(temp, target) != 0) {
        status = base_fail_errno(path, "cannot be replaced", errno, err);
    }
    if (status != NW_OK) {
        nw_file_drop(temp);
    } else {
        status = sync_folder_of(target, err);
    }
    free(target);
    return status;
}

void nw_file_drop(const char *temp) {
    if (temp) {
        (void)unlink(temp);
    }
}

static enum nw_status write_all(int fd, const char *path, const char *data, size_t len,
                                struct nw_err *err) {
    for (size_t at = 0; at < len;) {
        const ssize_t put = write(fd, data + at, len - at);
        if (put >= 0) {
            at += (size_t)put;
        } else if (errno != EINTR) {
            return base_fail_errno(path, "cannot write", errno, err);
        }
    }
    return NW_OK;
}

enum nw_status nw_file_write_atomic(const char *path, const char *data, size_t len,
                                    struct nw_err *err) {
    char *temp = NULL;
    enum nw_status status = nw_file_temp(path, &temp, err);
    if (status != NW_OK) {
        return status;
    }
    const int fd = open(temp, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (fd < 0) {
        status = base_fail_errno(path, "cannot write in its folder", errno, err);
        goto done;
    }
    status = write_all(fd, path, data, len, err);
    if (close(fd) != 0 && status == NW_OK) {
        status = base_fail_errno(path, "cannot write", errno, err);
    }
    if (status == NW_OK) {
        status = nw_file_commit(temp, path, err);
    } else {
        nw_file_drop(temp);
    }
done:
    free(temp);
    return status;
}
