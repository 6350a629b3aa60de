// SPDX-License-Identifier: Apache-2.0
/*
 * marks.c - a ring of marks in memory.
 */
#include "marks.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>

#define MARKS_MAX 1024

struct mark {
    int64_t at_ns;
    unsigned snapshot;
    char name[40];
    char text[240];
};

struct marks {
    pthread_mutex_t lock;
    size_t count, next;
    struct mark mark[MARKS_MAX];
};

int marks_new(struct marks **marks) {
    struct marks *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    *marks = made;
    return 0;
}

void marks_free(struct marks *marks) {
    if (!marks)
        return;
    pthread_mutex_destroy(&marks->lock);
    free(marks);
}

void marks_add(struct marks *marks, int64_t at_ns, const char *name, const char *text,
               unsigned snapshot) {
    pthread_mutex_lock(&marks->lock);
    struct mark *mark = &marks->mark[marks->next];
    mark->at_ns = at_ns;
    mark->snapshot = snapshot;
    (void)snprintf(mark->name, sizeof mark->name, "%s", name);
    (void)snprintf(mark->text, sizeof mark->text, "%s", text ? text : "");
    marks->next = (marks->next + 1) % MARKS_MAX;
    marks->count += marks->count < MARKS_MAX;
    pthread_mutex_unlock(&marks->lock);
}

/* A text cut within a character is no UTF-8: json_string() refuses it, and a shorter one is tried.
 */
static json_t *cut_text(const char *text) {
    json_t *json = NULL;
    char copy[240];
    int length = snprintf(copy, sizeof copy, "%s", text);
    for (int cut = 0; !json && cut < 4 && length > cut; cut++) {
        copy[length - cut] = '\0';
        json = json_string(copy);
    }
    return json ? json : json_null();
}

json_t *marks_between(struct marks *marks, double from_s, double to_s) {
    json_t *list = json_array();
    pthread_mutex_lock(&marks->lock);
    for (size_t i = 0; i < marks->count; i++) {
        const struct mark *mark =
            &marks->mark[(marks->next + MARKS_MAX - marks->count + i) % MARKS_MAX];
        double at_s = (double)mark->at_ns * 1e-9;
        if (at_s < from_s || at_s > to_s)
            continue;
        json_t *json = json_object();
        json_object_set_new(json, "at_s", json_real(at_s));
        json_object_set_new(json, "name", cut_text(mark->name));
        json_object_set_new(json, "text", cut_text(mark->text));
        json_object_set_new(json, "snapshot",
                            mark->snapshot ? json_integer(mark->snapshot) : json_null());
        json_array_append_new(list, json);
    }
    pthread_mutex_unlock(&marks->lock);
    return list;
}
