/* A disk of the test's own, laid under a program by LD_PRELOAD: slow to sync, full, broken, as a control file says.

   DISK_FOLDER   the folder whose files it concerns
   DISK_CONTROL  a file of one `struct control`, which the test writes and both sides have mapped
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

static struct control none, *control = &none;
static char folder[PATH_MAX];
static size_t folder_size;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("DISK_FOLDER"), *path = getenv("DISK_CONTROL");
    if (name == NULL || path == NULL) return;
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

static int synced(int file, int (*real)(int)) {
    if (!is_ours(file)) return real(file);
    __sync_fetch_and_add(&control->syncs, 1);
    if (control->sync_us > 0) usleep(control->sync_us);
    return fails(control->sync_error) ? -1 : real(file);
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

#define WRITE(name, parameters, arguments, file, size)                        \
    ssize_t name parameters {                                                 \
        static ssize_t(*real) parameters;                                     \
        if (!real) real = dlsym(RTLD_NEXT, #name);                            \
        return no_room(file, size) ? -1 : real arguments;                     \
    }

WRITE(write, (int file, const void *data, size_t size), (file, data, size), file, size)
WRITE(pwrite, (int file, const void *data, size_t size, off_t at), (file, data, size, at), file, size)
WRITE(pwrite64, (int file, const void *data, size_t size, off64_t at), (file, data, size, at), file, size)
