// SPDX-License-Identifier: Apache-2.0
#include "mailbox.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct mailbox {
    int wake; /* eventfd */
    pthread_mutex_t lock;
    struct message *first, *last;
};

void message_free(struct message *message) {
    if (!message)
        return;
    free(message->trigger);
    free(message->channel);
    free(message->text);
    free(message);
}

struct message *message_new(enum message_kind kind, const char *trigger, const char *text) {
    struct message *message = calloc(1, sizeof *message);
    if (!message)
        return NULL;
    message->kind = kind;
    message->trigger = trigger ? strdup(trigger) : NULL;
    message->text = text ? strdup(text) : NULL;
    if ((trigger && !message->trigger) || (text && !message->text)) {
        message_free(message);
        return NULL;
    }
    return message;
}

int mailbox_new(struct mailbox **mailbox) {
    struct mailbox *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    int result = made->wake < 0 ? -errno : -pthread_mutex_init(&made->lock, NULL);
    if (result == 0) {
        *mailbox = made;
        return 0;
    }
    if (made->wake >= 0)
        close(made->wake);
    free(made);
    return result;
}

void mailbox_free(struct mailbox *mailbox) {
    if (!mailbox)
        return;
    for (struct message *next; mailbox->first; mailbox->first = next) {
        next = mailbox->first->next;
        message_free(mailbox->first);
    }
    close(mailbox->wake);
    pthread_mutex_destroy(&mailbox->lock);
    free(mailbox);
}

int mailbox_descriptor(const struct mailbox *mailbox) {
    return mailbox->wake;
}

void mailbox_post(struct mailbox *mailbox, struct message *message) {
    pthread_mutex_lock(&mailbox->lock);
    if (mailbox->last)
        mailbox->last->next = message;
    else
        mailbox->first = message;
    mailbox->last = message;
    pthread_mutex_unlock(&mailbox->lock);
    uint64_t one = 1;
    while (write(mailbox->wake, &one, sizeof one) < 0 && errno == EINTR) {
    }
}

struct message *mailbox_take(struct mailbox *mailbox) {
    uint64_t count; /* quietened first: what is posted from here on wakes again */
    while (read(mailbox->wake, &count, sizeof count) < 0 && errno == EINTR) {
    }
    pthread_mutex_lock(&mailbox->lock);
    struct message *message = mailbox->first;
    if (message)
        mailbox->first = message->next;
    if (!mailbox->first)
        mailbox->last = NULL;
    pthread_mutex_unlock(&mailbox->lock);
    return message;
}
