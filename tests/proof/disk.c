/* A disk of the test's own, laid under a program by LD_PRELOAD: slow to sync, full, broken, as a control file says.

   DISK_FOLDER   the folder whose files it concerns
   DISK_CONTROL  a file of one `struct control`, which the test writes and both sides have mapped
   DISK_JOURNAL  a file into which every change of those files goes, for who cuts the power (`power_cuts.py`): one `struct
                 entry` each, then its path, then its bytes or its second path
*/
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

struct control {
    int sync_us;       /* how long a sync takes */
    int sync_error;    /* errno of every sync, 0 none */
    int write_error;   /* errno of every write, 0 none */
    int room_bytes;    /* what may still be written before `write_error`, -1 without end */
    int one_in;        /* only one call in so many fails, by chance; 0 or 1: each */
    int syncs;         /* counted here: syncs of files in the folder */
    int faults;        /* counted here: calls that failed */
};

struct entry {
    int kind;          /* 'w' write, 't' truncate to `at`, 's' sync, 'l' link, 'r' rename, 'u' unlink */
    int path_size;
    long long at;
    int size;          /* of the bytes or of the second path */
    int unused;
};

static int journal = -1;
static struct control none, *control = &none;
static char folder[PATH_MAX];
static size_t folder_size;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("DISK_FOLDER"), *path = getenv("DISK_CONTROL");
    if (name == NULL || path == NULL) return;
    if (getenv("DISK_JOURNAL")) journal = open(getenv("DISK_JOURNAL"), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    int handle = open(path, O_RDWR | O_CLOEXEC);
    if (handle < 0) return;
    void *mapped = mmap(NULL, sizeof *control, PROT_READ | PROT_WRITE, MAP_SHARED, handle, 0);
    close(handle);
    if (mapped == MAP_FAILED) return;
    control = mapped;
    snprintf(folder, sizeof folder, "%s", name);
    folder_size = strlen(folder);
}

static int is_ours(int file) {
    if (!folder_size) return 0;
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t size = readlink(link, path, sizeof path - 1);
    return size >= (ssize_t)folder_size && memcmp(path, folder, folder_size) == 0;
}

/* In one call, so that an entry of one thread does not end up in that of another. */
static void keep(int kind, const char *path, long long at, const void *data, size_t size) {
    if (journal < 0) return;
    struct entry head = {kind, (int)strlen(path), at, (int)size, 0};
    struct iovec parts[] = {{&head, sizeof head}, {(void *)path, strlen(path)}, {(void *)data, size}};
    if (writev(journal, parts, 3) < 0) abort();
}

static void keep_of(int kind, int file, long long at, const void *data, size_t size) {
    char link[64], path[PATH_MAX];
    if (journal < 0) return;
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) abort();
    path[length] = 0;
    keep(kind, path, at, data, size);
}

static int by_chance(void) {
    int one_in = control->one_in;
    return one_in <= 1 || random() % one_in == 0;
}

static int fails(int number) {
    if (!number || !by_chance()) return 0;
    __sync_fetch_and_add(&control->faults, 1);
    errno = number;
    return 1;
}

/* In small steps: a disk that is made well comes back at once. */
static void take_time(void) {
    for (int gone = 0; gone < control->sync_us; gone += 5000) usleep(control->sync_us - gone < 5000 ? control->sync_us - gone : 5000);
}

static int synced(int file, int (*real)(int)) {
    if (!is_ours(file)) return real(file);
    __sync_fetch_and_add(&control->syncs, 1);
    take_time();
    if (fails(control->sync_error)) return -1;
    int result = real(file);
    if (!result) keep_of('s', file, 0, NULL, 0);
    return result;
}

int fsync(int file) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fsync");
    return synced(file, real);
}

int fdatasync(int file) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fdatasync");
    return synced(file, real);
}

static int no_room(int file, size_t size) {
    if (!control->write_error || !is_ours(file)) return 0;
    if (control->room_bytes >= 0 && __sync_sub_and_fetch(&control->room_bytes, (int)size) >= 0) return 0;
    if (control->room_bytes < 0 && control->room_bytes != -1) control->room_bytes = 0;
    return fails(control->write_error);
}

#define WRITE(name, parameters, arguments, file, data, size, place)           \
    ssize_t name parameters {                                                 \
        static ssize_t(*real) parameters;                                     \
        if (!real) real = dlsym(RTLD_NEXT, #name);                            \
        if (no_room(file, size)) return -1;                                   \
        if (journal < 0 || file == journal || !is_ours(file)) return real arguments; \
        long long from = place;                                               \
        ssize_t result = real arguments;                                      \
        if (result > 0) keep_of('w', file, from, data, result);               \
        return result;                                                        \
    }

WRITE(write, (int file, const void *data, size_t size), (file, data, size), file, data, size, lseek(file, 0, SEEK_CUR))
WRITE(pwrite, (int file, const void *data, size_t size, off_t at), (file, data, size, at), file, data, size, at)
WRITE(pwrite64, (int file, const void *data, size_t size, off64_t at), (file, data, size, at), file, data, size, at)

#define TRUNCATE(name, type)                                                  \
    int name(int file, type size) {                                           \
        static int (*real)(int, type);                                        \
        if (!real) real = dlsym(RTLD_NEXT, #name);                            \
        int result = real(file, size);                                        \
        if (!result && is_ours(file)) keep_of('t', file, size, NULL, 0);      \
        return result;                                                        \
    }

TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

static int is_in(const char *path) { return folder_size && !strncmp(path, folder, folder_size); }

int unlink(const char *path) {
    static int (*real)(const char *);
    if (!real) real = dlsym(RTLD_NEXT, "unlink");
    int result = real(path);
    if (!result && is_in(path)) keep('u', path, 0, NULL, 0);
    return result;
}

int rename(const char *from, const char *to) {
    static int (*real)(const char *, const char *);
    if (!real) real = dlsym(RTLD_NEXT, "rename");
    int result = real(from, to);
    if (!result && is_in(to)) keep('r', from, 0, to, strlen(to));
    return result;
}

int link(const char *from, const char *to) {
    static int (*real)(const char *, const char *);
    if (!real) real = dlsym(RTLD_NEXT, "link");
    int result = real(from, to);
    if (!result && is_in(to)) keep('l', from, 0, to, strlen(to));
    return result;
}

int linkat(int from_folder, const char *from, int to_folder, const char *to, int flags) {
    static int (*real)(int, const char *, int, const char *, int);
    if (!real) real = dlsym(RTLD_NEXT, "linkat");
    int result = real(from_folder, from, to_folder, to, flags);
    if (!result && is_in(to)) keep('l', from, 0, to, strlen(to));
    return result;
}
