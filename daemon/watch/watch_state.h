// SPDX-License-Identifier: Apache-2.0
/*
 * watch_state.h - what the files of watch share: a watch, from inside. Private to watch, and under
 * its lock.
 */
#ifndef CRANKTRAP_WATCH_STATE_H
#define CRANKTRAP_WATCH_STATE_H

#include "phases.h"
#include "watch.h"
#include "watch_feed.h"
#include "watch_gather.h"
#include "watch_level.h"
#include "watch_scene.h"
#include "watch_silent.h"
#include "watch_trigger.h"

#include <pthread.h>

struct watch_board {
    bool fitted;
    int64_t pushed_ns; /* the computer's clock at the newest run; 0: none yet */
};

/* The triggers of a channel; NULL: none of that kind, or its board is not fitted. */
struct watch_channel {
    struct watch_feed *feed;
    struct watch_trigger *button;
    struct watch_silent *silent;
};

/* A section's; NULL: of another kind, or its channel's board is not fitted. */
struct watch_section {
    struct watch_trigger *trigger;
    struct watch_silent *silent;
};

struct watch {
    pthread_mutex_t lock;
    struct watch_sinks sinks;
    struct watch_scene scene;
    struct phases *phases;
    struct watch_board *boards;
    struct watch_level *levels;     /* one per channel */
    struct watch_channel *channels; /* one per channel */
    struct watch_section *sections; /* one per trigger section of the hookup */
    struct watch_gather gather;
    unsigned attempts;
    double lengthen_s; /* when to say that the starter is still engaged */
};

/* Frees the lock, then delivers what gathered under it. */
void watch_release(struct watch *watch);

#endif
