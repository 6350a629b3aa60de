// SPDX-License-Identifier: Apache-2.0
/*
 * mailbox.h - messages from any thread to the main one, in the order in which they were posted.
 */
#ifndef CRANKTRAP_MAILBOX_H
#define CRANKTRAP_MAILBOX_H

#include "board.h"
#include "phases.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum message_kind {
    MESSAGE_BOARD,     /* it streams, or not any more: board, begins, text */
    MESSAGE_CRANKING,  /* the starter engages, or lets go: begins, elapsed_ns */
    MESSAGE_MARK,      /* a trigger or a person marks a moment: all but board and description */
    MESSAGE_KEPT,      /* a person had a moment saved: elapsed_ns, after_s */
    MESSAGE_DESCRIBED, /* a board said what it is: board, description */
    MESSAGE_RELOAD     /* the hookup is to be read again */
};

struct message {
    struct message *next; /* the mailbox's */
    enum message_kind kind;
    bool begins;
    int64_t elapsed_ns; /* on the daemon's timebase */
    double value;       /* what set the trigger off; NAN: nothing measured */
    double before_s, after_s;
    bool suppressed;
    enum phase phase;
    char *trigger, *text, *channel; /* the message's own; NULL: none */
    size_t board;                   /* its index in the hookup */
    struct board_description description;
};

/* NULL: no memory. `trigger` and `text` are copied and may be NULL; all else is zero. */
struct message *message_new(enum message_kind kind, const char *trigger, const char *text);
void message_free(struct message *message); /* takes NULL */

struct mailbox;

/* 0 or a negative errno. */
int mailbox_new(struct mailbox **mailbox);
void mailbox_free(struct mailbox *mailbox); /* takes NULL; with the messages that are in it */

/* A descriptor that is readable while there may be messages; it stays the mailbox's. */
int mailbox_descriptor(const struct mailbox *mailbox);

/* Any thread. Takes `message` over. */
void mailbox_post(struct mailbox *mailbox, struct message *message);

/* The oldest message, then the caller's; NULL: there is none, and the descriptor is quiet. */
struct message *mailbox_take(struct mailbox *mailbox);

#endif
