// SPDX-License-Identifier: Apache-2.0
/*
 * phone.c - a token, a listener on the address of the local network, and the requests for both.
 */
#include "phone.h"

#include "door.h"
#include "handlers.h"
#include "listeners.h"
#include "live.h"
#include "text_file.h"

#include <arpa/inet.h>
#include <errno.h>
#include <ifaddrs.h>
#include <math.h>
#include <net/if.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>
#include <unistd.h>

#define NOTE_NAME   "phone.json"
#define NOTE_MAX    4096
#define PORT        "4187"
#define TOKEN_BYTES 16
#define HOURS_MAX   8760.0

struct phone {
    pthread_mutex_t lock;
    bool loaded;
    char token[2 * TOKEN_BYTES + 1]; /* "": closed */
    int64_t until_s;                 /* since 1970; 0: until it is closed */
    int file;                        /* of our own; -1: none */
    char address[80];                /* "192.168.1.20:4187"; "": nobody can come in */
};

int phone_new(struct phone **phone) {
    struct phone *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->file = -1;
    pthread_mutex_init(&made->lock, NULL);
    *phone = made;
    return 0;
}

void phone_free(struct phone *phone) {
    if (!phone)
        return;
    pthread_mutex_destroy(&phone->lock);
    free(phone);
}

/* ---- where ---- */

/* Addresses of home and workshop networks (RFC 1918, RFC 3927). */
static bool is_local(uint32_t address) {
    return address >> 24 == 10 || address >> 20 == 0xac1 || address >> 16 == 0xc0a8 ||
           address >> 16 == 0xa9fe;
}

/* Our address in a local network, with the port; false: there is none. */
static bool find_address(char *text, size_t size) {
    struct ifaddrs *list = NULL;
    bool found = false;
    if (getifaddrs(&list) < 0)
        return false;
    for (const struct ifaddrs *at = list; at && !found; at = at->ifa_next) {
        char name[INET_ADDRSTRLEN];
        if (!at->ifa_addr || at->ifa_addr->sa_family != AF_INET || !(at->ifa_flags & IFF_UP))
            continue;
        const struct sockaddr_in *own = (const void *)at->ifa_addr;
        found = is_local(ntohl(own->sin_addr.s_addr)) &&
                inet_ntop(AF_INET, &own->sin_addr, name, sizeof name) &&
                snprintf(text, size, "%s:" PORT, name) > 0;
    }
    freeifaddrs(list);
    return found;
}

/* ---- open and closed, with the lock held ---- */

static void stop_listening(struct serve *serve) {
    struct phone *phone = serve->phone;
    if (phone->file >= 0)
        listeners_remove(serve->listeners, phone->file);
    phone->file = -1;
    phone->address[0] = '\0';
}

/* The daemon listens there already, with --listen 0.0.0.0:4187. */
static bool is_listening(const struct serve *serve) {
    return strcmp(serve->address, "0.0.0.0:" PORT) == 0;
}

/* A listener at `address`; -1 where none is needed. 0 or a negative errno. */
static int listen_at(struct serve *serve, const char *address, int *file) {
    *file = -1;
    if (is_listening(serve))
        return 0;
    int opened = listeners_open_network(address);
    if (opened < 0)
        return opened;
    int result = listeners_add(serve->listeners, opened);
    if (result < 0)
        close(opened);
    else
        *file = opened;
    return result;
}

/* 0, -ENETDOWN without a local network, or a negative errno of the socket. */
static int start_listening(struct serve *serve) {
    struct phone *phone = serve->phone;
    char address[80];
    if (!find_address(address, sizeof address)) {
        stop_listening(serve);
        return -ENETDOWN;
    }
    if (strcmp(address, phone->address) == 0)
        return 0;
    stop_listening(serve);
    int result = listen_at(serve, address, &phone->file);
    if (result == 0)
        memcpy(phone->address, address, sizeof phone->address);
    return result;
}

static bool is_open(const struct phone *phone) {
    return phone->token[0] && (phone->until_s == 0 || (int64_t)time(NULL) < phone->until_s);
}

static void load(struct serve *serve) {
    struct phone *phone = serve->phone;
    char *path = NULL, *text = NULL;
    size_t length = 0;
    phone->loaded = true;
    if (asprintf(&path, "%s/" NOTE_NAME, serve->parts.state_folder) < 0)
        return;
    json_t *note = text_file_read(path, NOTE_MAX, &text, &length) == 0
                       ? json_loadb(text, length, 0, NULL)
                       : NULL;
    const char *token = json_string_value(json_object_get(note, "token"));
    if (token && strlen(token) == 2 * TOKEN_BYTES)
        memcpy(phone->token, token, sizeof phone->token);
    phone->until_s = json_integer_value(json_object_get(note, "until_s"));
    json_decref(note);
    free(text);
    free(path);
}

static int store(const struct serve *serve) {
    const struct phone *phone = serve->phone;
    json_t *note = json_pack("{s:s, s:s, s:I}", "schema", "cranktrap.phone-note/1", "token",
                             phone->token, "until_s", (json_int_t)phone->until_s);
    char *text = note ? json_dumps(note, JSON_COMPACT) : NULL;
    json_decref(note);
    int result = text ? text_file_replace(serve->parts.state_folder, NOTE_NAME, text) : -ENOMEM;
    free(text);
    return result;
}

void phone_look(struct serve *serve) {
    struct phone *phone = serve->phone;
    pthread_mutex_lock(&phone->lock);
    if (!phone->loaded)
        load(serve);
    bool open = is_open(phone);
    bool expired = !open && phone->address[0];
    if (open)
        (void)start_listening(serve); /* without a network just now: again the next time */
    else
        stop_listening(serve);
    pthread_mutex_unlock(&phone->lock);
    if (expired)
        live_end_visitors(serve->live);
}

bool phone_admits(struct serve *serve, const char *token) {
    struct phone *phone = serve->phone;
    if (!token || strlen(token) != 2 * TOKEN_BYTES)
        return false;
    pthread_mutex_lock(&phone->lock);
    unsigned differs = !is_open(phone);
    for (size_t i = 0; i < 2 * TOKEN_BYTES; i++)
        differs |= (unsigned char)(token[i] ^ phone->token[i]);
    pthread_mutex_unlock(&phone->lock);
    return differs == 0;
}

/* ---- the requests ---- */

static json_t *phone_json(const struct phone *phone) {
    char url[160] = "";
    if (is_open(phone) && phone->address[0])
        snprintf(url, sizeof url, "http://%s/?token=%s", phone->address, phone->token);
    return json_pack("{s:s, s:b, s:s?, s:s?, s:o}", "schema", "cranktrap.phone/1", "open",
                     (int)is_open(phone), "url", url[0] ? url : NULL, "token",
                     is_open(phone) ? phone->token : NULL, "until_s",
                     phone->until_s ? json_integer(phone->until_s) : json_null());
}

static int make_token(struct phone *phone) {
    uint8_t random[TOKEN_BYTES];
    if (getrandom(random, sizeof random, 0) != (ssize_t)sizeof random)
        return -EIO;
    for (size_t i = 0; i < TOKEN_BYTES; i++)
        (void)snprintf(phone->token + 2 * i, 3, "%02x", random[i]);
    return 0;
}

static void forget_token(struct serve *serve) {
    struct phone *phone = serve->phone;
    memset(phone->token, 0, sizeof phone->token);
    phone->until_s = 0;
    stop_listening(serve);
}

static int open_anew(struct serve *serve, double hours) {
    struct phone *phone = serve->phone;
    bool was_open = is_open(phone); /* a card that hangs there already stays good */
    int result = was_open ? 0 : make_token(phone);
    phone->until_s = hours > 0 ? (int64_t)time(NULL) + (int64_t)(hours * 3600) : 0;
    if (result == 0)
        result = start_listening(serve);
    if (result == 0)
        result = store(serve);
    if (result < 0 && !was_open)
        forget_token(serve);
    return result;
}

static enum MHD_Result refuse_network(struct request *request) {
    return send_error(request->connection, MHD_HTTP_FORBIDDEN,
                      "the door is opened and closed on the logger itself",
                      "run `cranktrap phone` on it");
}

static enum MHD_Result send_phone(struct request *request, int result) {
    struct phone *phone = request->serve->phone;
    if (result == -ENETDOWN)
        return send_error(request->connection, MHD_HTTP_SERVICE_UNAVAILABLE,
                          "this computer has no address in a local network",
                          "join the phone's network, or make one, and try again");
    if (result == -EADDRINUSE)
        return send_error(request->connection, MHD_HTTP_CONFLICT,
                          "another program listens at port " PORT " of this computer",
                          "end it; a daemon that is to be asked from elsewhere too can be started "
                          "with --listen 0.0.0.0:" PORT ", which the phone then shares");
    if (result < 0)
        return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result),
                          NULL);
    pthread_mutex_lock(&phone->lock);
    json_t *json = phone_json(phone);
    pthread_mutex_unlock(&phone->lock);
    return send_json(request->connection, MHD_HTTP_OK, json);
}

enum MHD_Result get_phone(struct serve *serve, struct request *request, const char *rest) {
    (void)serve;
    (void)rest;
    return door_is_network(request->connection) ? refuse_network(request) : send_phone(request, 0);
}

enum MHD_Result post_phone(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    if (door_is_network(request->connection))
        return refuse_network(request);
    json_t *body = read_body(request);
    const json_t *given = json_object_get(body, "hours");
    double hours = json_is_number(given) ? json_number_value(given) : 0;
    bool wrong = !body || (given && !json_is_null(given) && !json_is_number(given)) ||
                 !(hours >= 0 && hours <= HOURS_MAX);
    json_decref(body);
    if (wrong)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "allowed: {\"hours\": 0 (until it is closed) to 8760}", NULL);
    pthread_mutex_lock(&serve->phone->lock);
    int result = open_anew(serve, hours);
    pthread_mutex_unlock(&serve->phone->lock);
    return send_phone(request, result);
}

enum MHD_Result delete_phone(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    if (door_is_network(request->connection))
        return refuse_network(request);
    struct phone *phone = serve->phone;
    pthread_mutex_lock(&phone->lock);
    forget_token(serve);
    int result = store(serve);
    pthread_mutex_unlock(&phone->lock);
    live_end_visitors(serve->live);
    return send_phone(request, result);
}
