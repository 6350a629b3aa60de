// SPDX-License-Identifier: Apache-2.0
/*
 * door.c - Host, Origin and where the request comes from.
 */
#include "door.h"

#include "listeners.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>

static const char *header(const struct request *request, const char *name) {
    return MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND, name);
}

bool door_is_network(struct MHD_Connection *connection) {
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    return info && info->client_addr && info->client_addr->sa_family != AF_UNIX;
}

static bool is_this_computer(struct MHD_Connection *connection) {
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    if (!info || !info->client_addr)
        return false;
    const struct sockaddr_in *four = (const void *)info->client_addr;
    const struct sockaddr_in6 *six = (const void *)info->client_addr;
    if (info->client_addr->sa_family == AF_INET)
        return ntohl(four->sin_addr.s_addr) >> 24 == IN_LOOPBACKNET;
    return info->client_addr->sa_family == AF_INET6 && IN6_IS_ADDR_LOOPBACK(&six->sin6_addr);
}

/* Our own end of the connection: "192.168.1.20:4187". */
static void own_name(struct MHD_Connection *connection, char *text, size_t size) {
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    text[0] = '\0';
    if (info)
        listeners_name(info->connect_fd, text, size);
}

/* The name we answer to: our own end's address, or "localhost" with its port. */
static bool is_our_name(const char *name, const char *own) {
    const char *port = strrchr(own, ':');
    if (!port)
        return false;
    char local[32];
    snprintf(local, sizeof local, "localhost%s", port);
    return strcmp(name, own) == 0 || strcmp(name, local) == 0;
}

static bool is_our_origin(const char *origin, const char *own) {
    static const char scheme[] = "http://";
    return strncmp(origin, scheme, sizeof scheme - 1) == 0 &&
           is_our_name(origin + sizeof scheme - 1, own);
}

bool door_let_in(struct request *request, const char *url, enum MHD_Result *result) {
    (void)url;
    if (!door_is_network(request->connection))
        return true;
    char own[80];
    own_name(request->connection, own, sizeof own);
    const char *host = header(request, MHD_HTTP_HEADER_HOST);
    const char *origin = header(request, MHD_HTTP_HEADER_ORIGIN);
    if (!host || !is_our_name(host, own)) {
        *result = send_error(request->connection, MHD_HTTP_MISDIRECTED_REQUEST,
                             "this is not the host that was asked for (Host)",
                             "open it by the address that it was started with");
        return false;
    }
    if (origin && !is_our_origin(origin, own)) {
        *result = send_error(request->connection, MHD_HTTP_FORBIDDEN,
                             "a page of another origin may not ask (Origin)", NULL);
        return false;
    }
    if (!is_this_computer(request->connection)) {
        *result =
            send_error(request->connection, MHD_HTTP_UNAUTHORIZED,
                       "this logger is not open to the network", "run `cranktrap phone` on it");
        return false;
    }
    return true;
}
