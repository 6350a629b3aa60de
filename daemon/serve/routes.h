// SPDX-License-Identifier: Apache-2.0
/*
 * routes.h - which request goes to which handler.
 */
#ifndef CRANKTRAP_ROUTES_H
#define CRANKTRAP_ROUTES_H

#include "handlers.h"

enum route_kind {
    ROUTE_WHOLE,  /* the path as it stands */
    ROUTE_NUMBER, /* the path, a number, and `tail` */
    ROUTE_NAME    /* the path, and a name that goes to the handler */
};

struct route {
    const char *method;
    const char *path;
    enum route_kind kind;
    const char *tail;
    size_t body_max; /* bytes a request's body may have; 0: 4096 */
    handler *answer;
};

/*
 * The route of a request, and its number or what follows the path. NULL: there is none, and
 * `*known` says whether the path is there for another method.
 */
const struct route *route_find(const char *method, const char *url, unsigned *number,
                               const char **rest, bool *known);

#endif
