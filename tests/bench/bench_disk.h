// SPDX-License-Identifier: Apache-2.0
/*
 * bench_disk.h - a disk of our own that can be made to stand still: an ext4 file system in a file,
 * mounted for this process alone. Standing still is the kernel's own freeze (FIFREEZE): whoever
 * writes or syncs waits in the kernel, as before a disk that does not answer.
 */
#ifndef CRANKTRAP_BENCH_DISK_H
#define CRANKTRAP_BENCH_DISK_H

#include <stdint.h>
#include <sys/types.h>

/*
 * Makes it of at most `mib` MiB in the folder, mounted on `folder`/disk. 0; -1 where that is not
 * permitted here or cannot be: it needs root, a loop device, mkfs.ext4 and mount. Before any
 * thread: the process gets mounts of its own, which end with it.
 */
int disk_make(const char *folder, unsigned mib);

/* No longer mounted. The folder is empty of it once the process has ended. */
void disk_remove(const char *folder);

/* When the disk stood still, on CLOCK_BOOTTIME. */
struct disk_stop {
    int64_t from_ns, to_ns;
};

/*
 * Starts a child process that stops the disk in `after_s` seconds, for `for_s` seconds. It lets the
 * disk go on whatever becomes of this process. Returns its id, or -1; `*told` is then what
 * disk_stopped() reads.
 */
pid_t disk_stop_later(const char *folder, double after_s, double for_s, int *told);

/* Waits for the child; when it stopped the disk. 0, or -1: it did not. */
int disk_stopped(pid_t child, int told, struct disk_stop *stop);

#endif
