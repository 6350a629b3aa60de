// SPDX-License-Identifier: Apache-2.0
/*
 * ports_test.c - serial ports on USB: listed, found by link and serial number, opened through
 * libserialport, unplugged and plugged in again elsewhere; and what is said when that fails.
 *
 * The ports are pseudo-terminals in a mount namespace of this program's own, where /sys and /dev
 * show them as USB devices. What a pseudo-terminal lacks, modem lines and error counts, an ioctl()
 * of our own supplies. So all of libserialport and of the transport runs as it does on hardware,
 * but for the wire.
 */
#include "cmocka_helper.h"
#include "node.h"
#include "ports.h"
#include "transport.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <linux/serial.h>
#include <pty.h>
#include <pwd.h>
#include <sched.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define PATIENCE_MS 10000
#define LINK        "/dev/serial/by-id/usb-Test_Logger_"

/* ---- what a pseudo-terminal lacks ---- */

static bool has_modem_lines = true;
static int modem_lines;
static int overruns;

int ioctl(int descriptor, unsigned long request, ...) {
    static int (*real)(int, unsigned long, ...);
    va_list arguments;
    va_start(arguments, request);
    void *argument = va_arg(arguments, void *);
    va_end(arguments);
    if (real == NULL)
        *(void **)(&real) = dlsym(RTLD_NEXT, "ioctl");
    if (!has_modem_lines || isatty(descriptor) == 0)
        return real(descriptor, request, argument);
    switch (request) {
    case TIOCMGET:
        *(int *)argument = modem_lines | TIOCM_CTS | TIOCM_DSR | TIOCM_CAR;
        return 0;
    case TIOCMSET:
        modem_lines = *(int *)argument;
        return 0;
    case TIOCMBIS:
        modem_lines |= *(int *)argument;
        return 0;
    case TIOCMBIC:
        modem_lines &= ~*(int *)argument;
        return 0;
    case TIOCGICOUNT:
        memset(argument, 0, sizeof(struct serial_icounter_struct));
        ((struct serial_icounter_struct *)argument)->overrun = overruns;
        return 0;
    default:
        return real(descriptor, request, argument);
    }
}

/* ---- a /sys and a /dev of our own ---- */

static bool have_namespace;

static void put(const char *text, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void put(const char *text, const char *format, ...) {
    char path[256];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(path, sizeof path, format, arguments);
    va_end(arguments);
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    assert_true(file >= 0);
    assert_int_equal(write(file, text, strlen(text)), (int)strlen(text));
    close(file);
}

/* Ids of a user namespace, so that root rights within it suffice to mount. */
static void map_ids(uid_t user, gid_t group) {
    char text[64];
    (void)snprintf(text, sizeof text, "0 %u 1", (unsigned)user);
    put(text, "/proc/self/uid_map");
    put("deny", "/proc/self/setgroups");
    (void)snprintf(text, sizeof text, "0 %u 1", (unsigned)group);
    put(text, "/proc/self/gid_map");
}

static bool enter_namespace(void) {
    uid_t user = geteuid();
    gid_t group = getegid();
    if (unshare(CLONE_NEWNS | (user != 0 ? CLONE_NEWUSER : 0)) < 0)
        return false;
    if (user != 0)
        map_ids(user, group);
    if (mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) < 0 ||
        mount("none", "/sys", "tmpfs", 0, NULL) < 0 ||
        mount("none", "/dev", "tmpfs", 0, "mode=755") < 0 || mkdir("/dev/pts", 0755) < 0 ||
        mount("none", "/dev/pts", "devpts", 0, "newinstance,ptmxmode=0666,mode=0620") < 0 ||
        symlink("pts/ptmx", "/dev/ptmx") < 0)
        return false;
    return mkdir("/dev/serial", 0755) == 0 && mkdir("/dev/serial/by-id", 0755) == 0 &&
           mkdir("/dev/serial/by-path", 0755) == 0 && mkdir("/sys/class", 0755) == 0 &&
           mkdir("/sys/class/tty", 0755) == 0 && mkdir("/sys/devices", 0755) == 0 &&
           mkdir("/sys/devices/usb1", 0755) == 0;
}

static int begin(void **state) {
    (void)state;
    have_namespace = enter_namespace();
    if (!have_namespace)
        print_message("NOT RUN: ports behind /sys and /dev of our own; this user may make no "
                      "mount namespace (%s)\n",
                      strerror(errno));
    return 0;
}

static void make_folder(const char *path) {
    assert_int_equal(mkdir(path, 0755), 0);
}

/* What the kernel says of a USB device in port `place` whose terminal is ttyACM<number>. */
static void show_in_sys(int place, int number, const char *serial) {
    char path[128], target[256], link[256];
    (void)snprintf(path, sizeof path, "/sys/devices/usb1/1-%d", place);
    make_folder(path);
    put("1\n", "%s/busnum", path);
    put("6\n", "%s/devnum", path);
    put("1209\n", "%s/idVendor", path);
    put("0001\n", "%s/idProduct", path);
    put("Test\n", "%s/manufacturer", path);
    put("Logger\n", "%s/product", path);
    if (serial[0] != '\0')
        put(serial, "%s/serial", path);
    (void)snprintf(path, sizeof path, "/sys/devices/usb1/1-%d/1-%d:1.0", place, place);
    make_folder(path);
    (void)snprintf(path, sizeof path, "/sys/devices/usb1/1-%d/1-%d:1.0/tty", place, place);
    make_folder(path);
    (void)snprintf(path, sizeof path, "/sys/devices/usb1/1-%d/1-%d:1.0/tty/ttyACM%d", place, place,
                   number);
    make_folder(path);
    (void)snprintf(link, sizeof link, "%s/device", path);
    (void)snprintf(target, sizeof target, "../../../1-%d:1.0", place);
    assert_int_equal(symlink(target, link), 0);
    (void)snprintf(link, sizeof link, "/sys/class/tty/ttyACM%d", number);
    (void)snprintf(target, sizeof target, "../..%s", path + strlen("/sys"));
    assert_int_equal(symlink(target, link), 0);
}

/* Plugs a board in. Returns its side of the line. */
static int plug(int place, int number, const char *serial) {
    char path[128], target[128], node[64];
    int master, slave;
    assert_int_equal(openpty(&master, &slave, node, NULL, NULL), 0);
    close(slave);
    show_in_sys(place, number, serial);
    (void)snprintf(path, sizeof path, "/dev/ttyACM%d", number);
    assert_int_equal(symlink(node, path), 0);
    (void)snprintf(target, sizeof target, "../../ttyACM%d", number);
    (void)snprintf(path, sizeof path, LINK "%s-if00", serial);
    if (symlink(target, path) < 0) /* of twins only the first gets one, as with udev */
        assert_int_equal(errno, EEXIST);
    (void)snprintf(path, sizeof path, "/dev/serial/by-path/pci-0000:00-usb-0:%d:1.0", place);
    assert_int_equal(symlink(target, path), 0);
    return master;
}

static void remove_file(const char *format, ...) __attribute__((format(printf, 1, 2)));
static void remove_file(const char *format, ...) {
    char path[256];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(path, sizeof path, format, arguments);
    va_end(arguments);
    (void)remove(path);
}

static void unplug(int place, int number, const char *serial, int master) {
    static const char *const files[] = {"busnum",       "devnum",  "idVendor", "idProduct",
                                        "manufacturer", "product", "serial"};
    remove_file(LINK "%s-if00", serial);
    remove_file("/dev/serial/by-path/pci-0000:00-usb-0:%d:1.0", place);
    remove_file("/dev/ttyACM%d", number);
    remove_file("/sys/class/tty/ttyACM%d", number);
    remove_file("/sys/devices/usb1/1-%d/1-%d:1.0/tty/ttyACM%d/device", place, place, number);
    remove_file("/sys/devices/usb1/1-%d/1-%d:1.0/tty/ttyACM%d", place, place, number);
    remove_file("/sys/devices/usb1/1-%d/1-%d:1.0/tty", place, place);
    remove_file("/sys/devices/usb1/1-%d/1-%d:1.0", place, place);
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++)
        remove_file("/sys/devices/usb1/1-%d/%s", place, files[i]);
    remove_file("/sys/devices/usb1/1-%d", place);
    close(master);
}

static int lines_as_new(void **state) {
    (void)state;
    has_modem_lines = true;
    modem_lines = 0;
    overruns = 0;
    return 0;
}

#define NEED_NAMESPACE()                                                                           \
    do {                                                                                           \
        if (!have_namespace)                                                                       \
            skip();                                                                                \
    } while (0)

/* ---- the tests ---- */

static void ports_are_listed(void **state) {
    (void)state;
    NEED_NAMESPACE();
    struct port *ports;
    size_t count;
    assert_int_equal(ports_list(&ports, &count), 0);
    assert_int_equal(count, 0);
    free(ports);

    int first = plug(2, 0, "SER01"), second = plug(3, 1, "");
    assert_int_equal(ports_list(&ports, &count), 0);
    assert_int_equal(count, 2);
    const struct port *port = strcmp(ports[0].node, "/dev/ttyACM0") == 0 ? &ports[0] : &ports[1];
    const struct port *other = port == &ports[0] ? &ports[1] : &ports[0];
    assert_string_equal(port->node, "/dev/ttyACM0");
    assert_string_equal(port->by_id, LINK "SER01-if00");
    assert_string_equal(port->by_path, "/dev/serial/by-path/pci-0000:00-usb-0:2:1.0");
    assert_string_equal(port->serial, "SER01");
    assert_non_null(strstr(port->description, "Logger"));
    assert_int_equal(port->vendor, 0x1209);
    assert_int_equal(port->product, 1);
    assert_int_equal(port->access, 0);
    assert_string_equal(other->node, "/dev/ttyACM1");
    assert_string_equal(other->serial, "");
    free(ports);
    unplug(2, 0, "SER01", first);
    unplug(3, 1, "", second);
}

static void devices_are_resolved(void **state) {
    (void)state;
    NEED_NAMESPACE();
    char path[64] = "untouched", tiny[8] = "tiny";
    int first = plug(2, 0, "SER01"), second = plug(3, 1, "SER02");
    static const char *const same[] = {"/dev/ttyACM1", "SER02", (LINK "SER02-if00"),
                                       "/dev/serial/by-path/pci-0000:00-usb-0:3:1.0",
                                       "/dev/./serial/../ttyACM1"};
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        memset(path, 0, sizeof path);
        assert_int_equal(ports_resolve(same[i], path, sizeof path), 0);
        if (i != 4) /* a node, however it is spelt, is left as it is spelt */
            assert_string_equal(path, "/dev/ttyACM1");
    }
    memcpy(path, "untouched", sizeof "untouched");
    assert_int_equal(ports_resolve("SER03", path, sizeof path), -ENOENT);
    assert_int_equal(ports_resolve("", path, sizeof path), -ENOENT);
    assert_int_equal(ports_resolve(LINK "SER03-if00", path, sizeof path), -ENOENT);
    assert_int_equal(ports_resolve("/dev/ttyACM1/sub", path, sizeof path), -ENOENT);
    assert_string_equal(path, "untouched");
    assert_int_equal(ports_resolve("SER02", tiny, sizeof tiny), -ENAMETOOLONG);
    assert_int_equal(ports_resolve("/dev/ttyACM1", tiny, sizeof tiny), -ENAMETOOLONG);
    assert_string_equal(tiny, "tiny");

    int twin = plug(4, 2, "SER01");
    assert_int_equal(ports_resolve("SER01", path, sizeof path), -ENOTUNIQ);
    unplug(4, 2, "SER01", twin);
    unplug(3, 1, "SER02", second);
    unplug(2, 0, "SER01", first);
}

static struct transport *open_port(const char *path) {
    const struct transport_settings settings = {.baud = 921600, .keep_modem_lines = true};
    struct transport *transport = NULL;
    assert_int_equal(transport_open(path, &settings, &transport), 0);
    return transport;
}

/* The baud rate that a port was set to, as the kernel keeps it: <termios.h> cannot tell any. */
static unsigned baud_of(int master) {
    struct { /* termios2 of <asm/termbits.h>, which does not go with <termios.h> */
        tcflag_t flags[4];
        cc_t line, characters[19];
        speed_t in, out;
    } terminal;
    memset(&terminal, 0, sizeof terminal);
    assert_int_equal(ioctl(master, _IOR('T', 0x2A, terminal), &terminal), 0);
    assert_int_equal(terminal.in, terminal.out);
    return terminal.out;
}

static void opened_through_the_library(void **state) {
    (void)state;
    NEED_NAMESPACE();
    uint8_t bytes[256], sent[256];
    int master = plug(2, 0, "SER01");
    assert_true(node_is_serial("/dev/ttyACM0"));
    assert_false(node_is_serial("/dev/ttyACM1"));
    struct transport *transport = open_port(LINK "SER01-if00");
    assert_int_equal(modem_lines & (TIOCM_DTR | TIOCM_RTS), TIOCM_DTR | TIOCM_RTS);

    struct termios terminal;
    assert_int_equal(tcgetattr(master, &terminal), 0); /* shows the other side's */
    assert_int_equal(terminal.c_cc[VMIN], 1);          /* the library would leave 0 */
    assert_int_equal(terminal.c_cflag & HUPCL, 0);     /* as asked */
    assert_int_equal(terminal.c_cflag & (CSIZE | PARENB | CSTOPB), CS8);
    assert_int_equal(baud_of(master), 921600);

    for (size_t i = 0; i < sizeof sent; i++)
        sent[i] = (uint8_t)i;
    assert_int_equal(write(master, sent, sizeof sent), sizeof sent);
    for (size_t got = 0; got < sizeof bytes;) {
        int count = transport_read(transport, bytes + got, sizeof bytes - got, PATIENCE_MS);
        assert_true(count > 0);
        got += (size_t)count;
    }
    assert_memory_equal(bytes, sent, sizeof sent);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, 20), 0);
    assert_int_equal(transport_write(transport, sent, sizeof sent, PATIENCE_MS), 0);

    struct transport *second = NULL;
    const struct transport_settings settings = {.baud = 9600};
    assert_int_equal(transport_open("/dev/ttyACM0", &settings, &second), -EBUSY);
    assert_int_equal(baud_of(master), 921600); /* the port in use was not touched */

    overruns = 5;
    assert_int_equal(transport_overruns(transport), 5);
    assert_int_equal(transport_overruns(transport), 0);
    transport_close(transport);

    const struct transport_settings uncommon = {.baud = 250000};
    assert_int_equal(transport_open("/dev/ttyACM0", &uncommon, &transport), 0);
    assert_int_equal(baud_of(master), 250000);
    transport_close(transport);
    unplug(2, 0, "SER01", master);
}

static void unplugged_and_back_elsewhere(void **state) {
    (void)state;
    NEED_NAMESPACE();
    uint8_t bytes[16];
    char path[64];
    int master = plug(2, 0, "SER01");
    struct transport *transport = open_port(LINK "SER01-if00");
    assert_int_equal(write(master, "one", 3), 3);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 3);
    unplug(2, 0, "SER01", master);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), -ENODEV);
    assert_int_equal(transport_write(transport, bytes, 1, PATIENCE_MS), -ENODEV);
    transport_close(transport);
    assert_int_equal(ports_resolve(LINK "SER01-if00", path, sizeof path), -ENOENT);

    int other = plug(5, 0, "OTHER"); /* takes the name that was free */
    master = plug(3, 1, "SER01");
    assert_int_equal(ports_resolve("SER01", path, sizeof path), 0);
    assert_string_equal(path, "/dev/ttyACM1");
    transport = open_port(LINK "SER01-if00");
    assert_int_equal(write(master, "two", 3), 3);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 3);
    assert_memory_equal(bytes, "two", 3);
    transport_close(transport);
    unplug(3, 1, "SER01", master);
    unplug(5, 0, "OTHER", other);
}

/* As a gadget's port: listed by the kernel, refused by the library. */
static void without_modem_lines_it_still_works(void **state) {
    (void)state;
    NEED_NAMESPACE();
    uint8_t bytes[16];
    int master = plug(2, 0, "SER01");
    has_modem_lines = false;
    struct transport *transport = open_port("/dev/ttyACM0");
    assert_int_equal(write(master, "gadget", 6), 6);
    assert_int_equal(transport_read(transport, bytes, sizeof bytes, PATIENCE_MS), 6);
    assert_int_equal(transport_overruns(transport), 0);
    transport_close(transport);
    unplug(2, 0, "SER01", master);
}

static const char *explain(const char *device, int error) {
    static char text[400];
    ports_explain(device, error, text, sizeof text);
    return text;
}

static void rights_are_explained(void **state) {
    (void)state;
    NEED_NAMESPACE();
    int master = plug(2, 0, "SER01");
    struct stat status;
    assert_int_equal(chmod("/dev/ttyACM0", 0660), 0);
    assert_int_equal(stat("/dev/ttyACM0", &status), 0);
    const struct group *group = getgrgid(status.st_gid);
    const struct passwd *user = getpwuid(geteuid());
    const char *text = explain(LINK "SER01-if00", -EACCES);
    assert_non_null(strstr(text, "/dev/ttyACM0 is crw-rw---- "));
    if (user != NULL)
        assert_non_null(strstr(text, user->pw_name));
    if (group != NULL && status.st_gid != 0) {
        char remedy[256];
        assert_non_null(strstr(text, group->gr_name));
        (void)snprintf(remedy, sizeof remedy, "usermod -aG %s ", group->gr_name);
        assert_non_null(strstr(text, remedy));
    }
    assert_int_equal(chmod("/dev/ttyACM0", 0600), 0);
    text = explain("/dev/ttyACM0", -EACCES);
    assert_non_null(strstr(text, "crw-------"));
    assert_non_null(strstr(text, "udev rule"));

    int twin = plug(4, 2, "SER01");
    text = explain("SER01", -ENOTUNIQ);
    assert_non_null(strstr(text, "/dev/ttyACM0"));
    assert_non_null(strstr(text, "/dev/ttyACM2"));
    assert_non_null(strstr(text, "by-path"));
    unplug(4, 2, "SER01", twin);
    unplug(2, 0, "SER01", master);
}

/* As under a service manager that lets it open only some devices. */
static void rights_that_would_do_are_not_blamed(void **state) {
    (void)state;
    char path[] = "/tmp/ports-XXXXXX";
    int file = mkstemp(path);
    assert_true(file >= 0);
    assert_int_equal(fchown(file, (uid_t)-1, getegid()), 0);
    assert_int_equal(fchmod(file, 0660), 0);
    const char *text = explain(path, -EPERM);
    close(file);
    unlink(path);
    assert_non_null(strstr(text, "DeviceAllow="));
    assert_null(strstr(text, "usermod"));
}

static void the_rest_is_explained(void **state) {
    (void)state;
    assert_non_null(strstr(explain("/dev/nowhere", -ENOENT), "/dev/nowhere is not there now"));
    assert_non_null(strstr(explain("A5XK3", -ENOENT), "serial number A5XK3"));
    assert_non_null(strstr(explain("/dev/nowhere", -EBUSY), "fuser -v /dev/nowhere"));
    assert_non_null(strstr(explain("/dev/nowhere", -ENOTSUP), "baud rate"));
    assert_non_null(strstr(explain("/dev/nowhere", -EINVAL), "no serial port"));
    assert_non_null(strstr(explain("/dev/nowhere", -ENODEV), "has gone"));
    assert_non_null(strstr(explain("/dev/nowhere", -EMFILE), strerror(EMFILE)));

    /* However small the buffer, the text ends within it. */
    for (size_t size = 1; size < 200; size++) {
        char text[256];
        memset(text, 'x', sizeof text);
        for (int error = 1; error < 134; error++)
            ports_explain("/dev/null", -error, text, size);
        assert_true(strlen(text) < size);
        assert_int_equal(text[size], 'x');
    }
    ports_explain("/dev/null", -EIO, NULL, 0);
}

#define TEST(function) cmocka_unit_test_setup(function, lines_as_new)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(ports_are_listed),
        TEST(devices_are_resolved),
        TEST(opened_through_the_library),
        TEST(unplugged_and_back_elsewhere),
        TEST(without_modem_lines_it_still_works),
        TEST(rights_are_explained),
        TEST(rights_that_would_do_are_not_blamed),
        TEST(the_rest_is_explained),
    };
    return cmocka_run_group_tests(tests, begin, NULL);
}
