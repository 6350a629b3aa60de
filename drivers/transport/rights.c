// SPDX-License-Identifier: Apache-2.0
/*
 * rights.c - why this user may not open a node, and what to do about it, in a plain sentence.
 */
#include "rights.h"

#include <grp.h>
#include <pwd.h>
#include <stdbool.h>
#include <stdio.h>
#include <sys/stat.h>
#include <unistd.h>

struct names {
    char owner[64], group[64], user[64];
};

static void user_name(uid_t id, char *name, size_t size) {
    char buffer[1024];
    struct passwd entry, *found = NULL;
    if (getpwuid_r(id, &entry, buffer, sizeof buffer, &found) == 0 && found != NULL)
        (void)snprintf(name, size, "%s", found->pw_name);
    else
        (void)snprintf(name, size, "user %u", (unsigned)id);
}

static void group_name(gid_t id, char *name, size_t size) {
    char buffer[4096];
    struct group entry, *found = NULL;
    if (getgrgid_r(id, &entry, buffer, sizeof buffer, &found) == 0 && found != NULL)
        (void)snprintf(name, size, "%s", found->gr_name);
    else
        (void)snprintf(name, size, "group %u", (unsigned)id);
}

/* As `ls -l` writes it: "crw-rw----". */
static void mode_text(mode_t mode, char text[11]) {
    static const char letters[] = "rwxrwxrwx";
    text[0] = S_ISCHR(mode) ? 'c' : S_ISFIFO(mode) ? 'p' : S_ISDIR(mode) ? 'd' : '-';
    for (int bit = 0; bit < 9; bit++)
        text[1 + bit] = '-';
    for (int bit = 0; bit < 9; bit++)
        if ((mode & (0400u >> bit)) != 0)
            text[1 + bit] = letters[bit];
    text[10] = '\0';
}

void rights_explain(const char *node, char *text, size_t size) {
    struct stat status;
    struct names names;
    char mode[11];
    user_name(geteuid(), names.user, sizeof names.user);
    if (stat(node, &status) < 0) {
        (void)snprintf(text, size, "%s cannot even be looked at by %s: a folder above it is closed",
                       node, names.user);
        return;
    }
    user_name(status.st_uid, names.owner, sizeof names.owner);
    group_name(status.st_gid, names.group, sizeof names.group);
    mode_text(status.st_mode, mode);

    const mode_t group_may = S_IRGRP | S_IWGRP;
    int used = snprintf(text, size, "%s is %s %s:%s, this is %s: ", node, mode, names.owner,
                        names.group, names.user);
    if (used < 0 || (size_t)used >= size)
        return;
    text += used;
    size -= (size_t)used;
    const bool for_group = (status.st_mode & group_may) == group_may;
    if (for_group && (status.st_gid == getegid() || group_member(status.st_gid)))
        (void)snprintf(text, size,
                       "its rights would do, so something else forbids it: the service's sandbox "
                       "(DeviceAllow=, docs/service.md)?");
    else if (for_group && status.st_gid != 0)
        (void)snprintf(text, size, "add %s to group %s (usermod -aG %s %s), then start anew",
                       names.user, names.group, names.group, names.user);
    else
        (void)snprintf(text, size,
                       "no group may use it: a udev rule with GROUP and MODE=\"0660\" mends that "
                       "(docs/board-files.md, Rights)");
}
