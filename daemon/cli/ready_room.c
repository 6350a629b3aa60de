// SPDX-License-Identifier: Apache-2.0
/*
 * ready_room.c - is there room for so many hours, and what does the logger itself draw?
 */
#include "ready.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#define SUPPLIES "/sys/class/power_supply"
/* A rate of bytes from less than this says little: the codec learns, blocks are whole. */
#define LEAST_SPAN_S 10.0

static double value(const json_t *object, const char *key) {
    const json_t *found = json_object_get(object, key);
    return json_is_number(found) ? json_number_value(found) : (double)NAN;
}

/* Over all that the ring holds, or where that is younger, over this command. */
static double bytes_per_hour(const struct ready *ready) {
    const json_t *ring = json_object_get(ready->status_after, "ring");
    double bytes = value(ring, "bytes"), seconds = value(ring, "oldest_age_s");
    double span =
        value(ready->status_after, "elapsed_s") - value(ready->status_before, "elapsed_s");
    if (!(seconds >= span)) {
        const json_t *before = json_object_get(ready->status_before, "ring");
        bytes = value(ring, "bytes_written") - value(before, "bytes_written");
        seconds = span;
    }
    return seconds >= LEAST_SPAN_S && bytes > 0 ? bytes / seconds * 3600 : (double)NAN;
}

static bool read_line(const char *supply, const char *name, char *text, size_t size) {
    char path[512];
    snprintf(path, sizeof path, SUPPLIES "/%s/%s", supply, name);
    FILE *file = fopen(path, "re");
    if (!file)
        return false;
    bool read = fgets(text, (int)size, file) != NULL;
    fclose(file);
    if (read)
        text[strcspn(text, "\n")] = '\0';
    return read;
}

static double read_micro(const char *supply, const char *name) {
    char text[64];
    return read_line(supply, name, text, sizeof text) ? fabs(strtod(text, NULL)) * 1e-6
                                                      : (double)NAN;
}

static void look_at_supply(struct ready_room *room, const char *name) {
    char type[64], state[64];
    if (!read_line(name, "type", type, sizeof type))
        return;
    if (strcmp(type, "Mains") == 0 && read_line(name, "online", state, sizeof state))
        room->on_mains = room->on_mains || strcmp(state, "1") == 0;
    /* Only what flows out of a battery is the draw; while charging it is something else. */
    if (strcmp(type, "Battery") != 0 || !read_line(name, "status", state, sizeof state) ||
        strcmp(state, "Discharging") != 0)
        return;
    double watts = read_micro(name, "power_now");
    if (isnan(watts))
        watts = read_micro(name, "current_now") * read_micro(name, "voltage_now");
    if (watts > 0)
        room->draw_w = isnan(room->draw_w) ? watts : room->draw_w + watts;
}

static void look_at_supplies(struct ready_room *room) {
    DIR *folder = opendir(SUPPLIES);
    if (!folder)
        return;
    for (const struct dirent *entry; (entry = readdir(folder));)
        if (entry->d_name[0] != '.')
            look_at_supply(room, entry->d_name);
    closedir(folder);
}

void ready_look_at_room(struct ready *ready) {
    const json_t *ring = json_object_get(ready->status_after, "ring");
    struct ready_room *room = &ready->room;
    double bound = value(ring, "bound");
    *room = (struct ready_room){.disk_free = (double)NAN, .draw_w = (double)NAN};
    room->bytes_per_hour = bytes_per_hour(ready);
    room->ring_hours = bound / room->bytes_per_hour;
    /* The ring's own bound may not be used up yet: the disk has to give the rest. */
    double left = fmax(0, bound - value(ring, "bytes"));
    room->ring_bytes =
        isnan(room->bytes_per_hour) ? left : fmin(left, ready->hours * room->bytes_per_hour);
    struct statvfs disk;
    if (statvfs(ready->line->state, &disk) == 0)
        room->disk_free = (double)disk.f_bavail * (double)disk.f_frsize - value(ring, "keep_free");
    look_at_supplies(room);
}
