// SPDX-License-Identifier: Apache-2.0
/*
 * bench_disk.c - made and mounted by the system's own commands.
 */
#include "bench_disk.h"

#include <fcntl.h>
#include <linux/fs.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

int disk_make(const char *folder, unsigned mib) {
    char command[3 * 4200 + 200];
    if (unshare(CLONE_NEWNS) < 0 || mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL) < 0)
        return -1;
    (void)snprintf(
        command, sizeof command,
        "{ truncate -s %uM '%s/image' && mkfs.ext4 -q -m 0 '%s/image' && mkdir '%s/disk' "
        "&& mount -o loop '%s/image' '%s/disk'; } >/dev/null 2>&1",
        mib, folder, folder, folder, folder, folder);
    return system(command) == 0 ? 0 : -1;
}

void disk_remove(const char *folder) {
    char path[4200];
    (void)snprintf(path, sizeof path, "%s/disk", folder);
    (void)umount2(path, MNT_DETACH);
    (void)rmdir(path);
}

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return now.tv_sec * INT64_C(1000000000) + now.tv_nsec;
}

static void wait_s(double seconds) {
    struct timespec rest = {.tv_sec = (time_t)seconds};
    rest.tv_nsec = (long)((seconds - (double)rest.tv_sec) * 1e9);
    while (nanosleep(&rest, &rest) < 0) {
    }
}

static int stop_disk(int disk, double after_s, double for_s, int to) {
    struct disk_stop stop;
    sigset_t all;
    sigfillset(&all);
    sigprocmask(SIG_SETMASK, &all, NULL); /* a disk that stays frozen outlives every kill */
    wait_s(after_s);
    if (ioctl(disk, FIFREEZE, 0) < 0)
        return 1;
    stop.from_ns = now_ns();
    wait_s(for_s);
    stop.to_ns = now_ns();
    if (ioctl(disk, FITHAW, 0) < 0)
        return 1;
    return write(to, &stop, sizeof stop) == sizeof stop ? 0 : 1;
}

pid_t disk_stop_later(const char *folder, double after_s, double for_s, int *told) {
    char path[4200];
    int ends[2];
    (void)snprintf(path, sizeof path, "%s/disk", folder);
    int disk = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (disk < 0)
        return -1;
    if (pipe2(ends, O_CLOEXEC) < 0) {
        close(disk);
        return -1;
    }
    fflush(NULL);
    pid_t child = fork();
    if (child == 0)
        _exit(stop_disk(disk, after_s, for_s, ends[1]));
    close(disk);
    close(ends[1]);
    if (child < 0)
        close(ends[0]);
    else
        *told = ends[0];
    return child;
}

int disk_stopped(pid_t child, int told, struct disk_stop *stop) {
    ssize_t count = read(told, stop, sizeof *stop);
    close(told);
    if (waitpid(child, NULL, 0) < 0)
        return -1;
    return count == sizeof *stop ? 0 : -1;
}
