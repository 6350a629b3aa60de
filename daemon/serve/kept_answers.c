// SPDX-License-Identifier: Apache-2.0
/*
 * kept_answers.c - a small ring of answers, found by their ETags.
 */
#include "kept_answers.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ANSWERS_MAX 16
#define BYTES_MAX   (16u << 20)

struct kept_answers {
    pthread_mutex_t lock;
    struct answer answer[ANSWERS_MAX];
    size_t next; /* where the next one goes: the oldest is there */
    size_t bytes;
};

int kept_answers_new(struct kept_answers **kept) {
    struct kept_answers *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    *kept = made;
    return 0;
}

void kept_answers_free(struct kept_answers *kept) {
    if (!kept)
        return;
    for (size_t i = 0; i < ANSWERS_MAX; i++)
        answer_clear(&kept->answer[i]);
    pthread_mutex_destroy(&kept->lock);
    free(kept);
}

static bool copy(const struct answer *from, struct answer *to) {
    char *bytes = malloc(from->size + 1);
    if (!bytes)
        return false;
    memcpy(bytes, from->bytes, from->size);
    *to = *from;
    to->bytes = bytes;
    return true;
}

static bool find(struct kept_answers *kept, const char *etag, struct answer *answer) {
    bool found = false;
    pthread_mutex_lock(&kept->lock);
    for (size_t i = 0; !found && i < ANSWERS_MAX; i++)
        if (kept->answer[i].status && strcmp(kept->answer[i].etag, etag) == 0)
            found = copy(&kept->answer[i], answer);
    pthread_mutex_unlock(&kept->lock);
    return found;
}

static void put(struct kept_answers *kept, const struct answer *answer) {
    struct answer made;
    if (answer->size > BYTES_MAX / 4 || !copy(answer, &made))
        return;
    pthread_mutex_lock(&kept->lock);
    for (size_t i = 0; i < ANSWERS_MAX; i++) {
        struct answer *oldest = &kept->answer[(kept->next + i) % ANSWERS_MAX];
        if (i > 0 && kept->bytes + made.size <= BYTES_MAX)
            break;
        kept->bytes -= oldest->size;
        answer_clear(oldest);
    }
    kept->answer[kept->next] = made;
    kept->next = (kept->next + 1) % ANSWERS_MAX;
    kept->bytes += made.size;
    pthread_mutex_unlock(&kept->lock);
}

bool kept_answers_known(struct request *request, const char *etag) {
    if (strcmp(request->if_none_match, etag) != 0)
        return find(request->serve->kept, etag, &request->answer);
    request->answer.status = MHD_HTTP_NOT_MODIFIED;
    snprintf(request->answer.etag, sizeof request->answer.etag, "%s", etag);
    return true;
}

void kept_answers_keep(struct request *request, const char *etag) {
    struct answer *answer = &request->answer;
    if (!answer->status)
        return;
    snprintf(answer->etag, sizeof answer->etag, "%s", etag);
    put(request->serve->kept, answer);
}
