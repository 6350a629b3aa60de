// SPDX-License-Identifier: Apache-2.0
/*
 * mailbox_test.c - messages from many threads come out once each, those of one thread in order.
 */
#include "cmocka_helper.h"
#include "mailbox.h"

#include <poll.h>
#include <pthread.h>

enum { THREADS = 4, EACH = 2000 };

struct sender {
    struct mailbox *mailbox;
    size_t number;
};

static bool may_hold(const struct mailbox *mailbox) {
    struct pollfd wait = {.fd = mailbox_descriptor(mailbox), .events = POLLIN};
    return poll(&wait, 1, 0) == 1;
}

static void *send_all(void *context) {
    const struct sender *sender = context;
    for (int i = 0; i < EACH; i++) {
        struct message *message = message_new(MESSAGE_CRANKING, NULL, NULL);
        if (!message)
            return NULL; /* missed below */
        message->board = sender->number;
        message->elapsed_ns = i;
        mailbox_post(sender->mailbox, message);
    }
    return NULL;
}

static void every_message_comes_once_and_in_order(void **state) {
    (void)state;
    struct mailbox *mailbox = NULL;
    struct sender senders[THREADS];
    pthread_t threads[THREADS];
    int64_t next[THREADS] = {0};
    assert_int_equal(mailbox_new(&mailbox), 0);
    for (size_t i = 0; i < THREADS; i++) {
        senders[i] = (struct sender){mailbox, i};
        assert_int_equal(pthread_create(&threads[i], NULL, send_all, &senders[i]), 0);
    }
    struct pollfd wait = {.fd = mailbox_descriptor(mailbox), .events = POLLIN};
    for (int taken = 0; taken < THREADS * EACH;) {
        assert_int_equal(poll(&wait, 1, 60000), 1); /* else one was posted without a wake */
        for (struct message *message; (message = mailbox_take(mailbox)); taken++) {
            assert_int_equal(message->elapsed_ns, next[message->board]++);
            message_free(message);
        }
    }
    for (size_t i = 0; i < THREADS; i++)
        pthread_join(threads[i], NULL);
    assert_null(mailbox_take(mailbox));
    assert_false(may_hold(mailbox));
    mailbox_free(mailbox);
}

/* The sanitizer sees what is not freed. */
static void what_is_left_goes_with_the_mailbox(void **state) {
    (void)state;
    struct mailbox *mailbox = NULL;
    assert_int_equal(mailbox_new(&mailbox), 0);
    assert_false(may_hold(mailbox));
    for (int i = 0; i < 3; i++) {
        struct message *message = message_new(MESSAGE_MARK, "feed", "It fell.");
        assert_non_null(message);
        mailbox_post(mailbox, message);
    }
    assert_true(may_hold(mailbox));
    struct message *first = mailbox_take(mailbox);
    assert_string_equal(first->trigger, "feed");
    assert_string_equal(first->text, "It fell.");
    assert_null(first->channel);
    message_free(first);
    mailbox_free(mailbox);
    mailbox_free(NULL);
    message_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_message_comes_once_and_in_order),
        cmocka_unit_test(what_is_left_goes_with_the_mailbox),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
