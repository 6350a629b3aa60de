// SPDX-License-Identifier: Apache-2.0
/*
 * journal.h - one line to whoever reads what the daemon says: the journal, with fields, where
 * stderr is connected to it; else stderr, as "cranktrapd: TEXT".
 */
#ifndef CRANKTRAP_JOURNAL_H
#define CRANKTRAP_JOURNAL_H

#include <stdbool.h>

enum journal_priority { /* of syslog(3) */
                        JOURNAL_ERROR = 3,
                        JOURNAL_WARNING = 4,
                        JOURNAL_NOTICE = 5,
                        JOURNAL_INFO = 6
};

struct journal_line {
    enum journal_priority priority; /* PRIORITY */
    const char *board;              /* CRANKTRAP_BOARD; NULL: of none */
    const char *trigger;            /* CRANKTRAP_TRIGGER; NULL: of none */
    unsigned snapshot;              /* CRANKTRAP_SNAPSHOT; 0: of none */
    const char *text;               /* MESSAGE: without a newline at its end */
};

/* Any thread. What cannot be written is gone: nobody could be told. */
void journal_write(const struct journal_line *line);

#endif
