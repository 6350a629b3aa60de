// SPDX-License-Identifier: Apache-2.0
/*
 * door.c - Host, Origin and where the request comes from.
 */
#include "door.h"

#include "listeners.h"
#include "phone.h"

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

bool door_is_visitor(struct MHD_Connection *connection) {
    return door_is_network(connection) && !is_this_computer(connection);
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

/* ---- the token ---- */

#define COOKIE "cranktrap"

static enum MHD_Result send_plain(struct request *request, unsigned status, char *text,
                                  const char *name, const char *value) {
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_COPY);
    if (!response)
        return MHD_NO;
    MHD_add_response_header(response, "Content-Type", "text/plain; charset=utf-8");
    MHD_add_response_header(response, "Cache-Control", "no-store");
    MHD_add_response_header(response, "Referrer-Policy", "no-referrer");
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    if (name)
        MHD_add_response_header(response, name, value);
    if (status == MHD_HTTP_SEE_OTHER)
        MHD_add_response_header(response, "Location", "/");
    enum MHD_Result result = MHD_queue_response(request->connection, status, response);
    MHD_destroy_response(response);
    return result;
}

/* The first visit: the token goes from the address, which is seen, into a cookie, which is not. */
static enum MHD_Result welcome(struct request *request, const char *token) {
    char cookie[160];
    snprintf(cookie, sizeof cookie,
             COOKIE "=%s; Path=/; Max-Age=31536000; HttpOnly; SameSite=Strict", token);
    char nothing[] = "";
    return send_plain(request, MHD_HTTP_SEE_OTHER, nothing, "Set-Cookie", cookie);
}

static bool let_in_by_token(struct request *request, const char *url, enum MHD_Result *result) {
    const char *token = query_text(request, "token");
    if (strcmp(url, "/") == 0 && token && phone_admits(request->serve, token)) {
        *result = welcome(request, token);
        return false;
    }
    const char *cookie = MHD_lookup_connection_value(request->connection, MHD_COOKIE_KIND, COOKIE);
    if (phone_admits(request->serve, cookie))
        return true;
    char unknown[] = "This logger does not know you.\n"
                     "Open it by the address or the code that `cranktrap phone` shows on it, or by "
                     "the card on its box.\n";
    *result = send_plain(request, MHD_HTTP_UNAUTHORIZED, unknown, NULL, NULL);
    return false;
}

bool door_let_in(struct request *request, const char *url, enum MHD_Result *result) {
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
    return is_this_computer(request->connection) || let_in_by_token(request, url, result);
}
