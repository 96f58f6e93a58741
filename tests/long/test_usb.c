/* The USB of a made-up machine (umockdev): a camera, a serial port, and what else hangs there. Descriptors by
 * hand after USB 2.0, tables 9-8, 9-10, 9-12, 9-13; class codes of the Still Image Capture Device
 * Definition 1.0 and of USB mass storage (Bulk-Only Transport 1.0). */
#include "tests/support/test.h"

#include <fcntl.h>
#include <jansson.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <umockdev.h>

#include "base/json.h"
#include "base/mem.h"
#include "device/usb_watch.h"
#include "tests/support/program.h"

#define BUS  "/devices/pci0000:00/usb1"
#define WAIT 5000000 /* of the machine's time, at most */

/* Device (18 bytes), configuration (9), one interface (9), its endpoints (7 each). */
#define DEVICE(vendor, product) "12010002000000 40" vendor product "000101020301"
#define CONFIG(length)          "0902" length "01010080FA"
#define STILL_IMAGE                                                                                          \
    CONFIG("2700")                                                                                           \
    "0904000003"                                                                                             \
    "060101"                                                                                                 \
    "00"                                                                                                     \
    "07058102000200"                                                                                         \
    "07050202000200"                                                                                         \
    "0705830308000A"
#define DISK                                                                                                 \
    CONFIG("2000")                                                                                           \
    "0904000002"                                                                                             \
    "080650"                                                                                                 \
    "00"                                                                                                     \
    "07058102000200"                                                                                         \
    "07050202000200"
#define VENDOR_OWN                                                                                           \
    CONFIG("2000")                                                                                           \
    "0904000002"                                                                                             \
    "FF0000"                                                                                                 \
    "00"                                                                                                     \
    "07058102000200"                                                                                         \
    "07050202000200"

static UMockdevTestbed *bed;

/* Without the blanks that make it readable. */
static const char *packed(const char *hex)
{
    static char out[512];
    size_t n = 0;
    for (; *hex; hex++)
        if (*hex != ' ') out[n++] = *hex;
    out[n] = '\0';
    return out;
}

static void add(const char *text)
{
    GError *error = NULL;
    if (!umockdev_testbed_add_from_string(bed, text, &error)) fail_msg("umockdev: %s", error->message);
}

static void add_device(const char *path, int address, const char *speed, const char *maker,
                       const char *product, const char *descriptors)
{
    char text[2048];
    snprintf(
        text, sizeof text,
        "P: " BUS "/%s\nN: bus/usb/001/%03d\nE: DEVTYPE=usb_device\nE: SUBSYSTEM=usb\nE: BUSNUM=001\n"
        "E: DEVNUM=%03d\nE: DEVNAME=/dev/bus/usb/001/%03d\nA: busnum=1\\n\nA: devnum=%d\\n\nA: speed=%s\\n\n"
        "A: idVendor=1001\\n\nA: idProduct=0001\\n\nA: bConfigurationValue=1\\n\nA: manufacturer=%s\\n\nA: "
        "product=%s\\n\nH: descriptors=%s\n",
        path, address, address, address, address, speed, maker, product, packed(descriptors));
    add(text);
}

static void add_camera(int address)
{
    add_device("1-2", address, "480", "Maker", "Camera One", DEVICE("0110", "0100") STILL_IMAGE);
}

static int build_machine(void **state)
{
    (void)state;
    bed = umockdev_testbed_new();
    add("P: " BUS
        "\nN: bus/usb/001/001\nE: DEVTYPE=usb_device\nE: SUBSYSTEM=usb\nE: BUSNUM=001\nE: DEVNUM=001\n"
        "A: busnum=1\\n\nA: devnum=1\\n\nA: speed=480\\n\nA: bConfigurationValue=1\\n\n"
        "H: "
        "descriptors="
        "12010002090001406B1D020010050302010109021900010100E0000904000001090000000705810304000C\n");
    add_camera(4);
    add_device("1-3", 5, "12", "Maker", "Serial Bridge", DEVICE("2010", "0200") VENDOR_OWN);
    add("P: " BUS "/1-3/1-3:1.0\nE: DEVTYPE=usb_interface\nE: SUBSYSTEM=usb\nA: bInterfaceNumber=00\\n\n");
    add("P: " BUS "/1-3/1-3:1.0/ttyUSB0/tty/ttyUSB0\nN: ttyUSB0\nE: SUBSYSTEM=tty\nE: DEVNAME=/dev/ttyUSB0\n"
        "L: device=../../../ttyUSB0\n");
    add_device("1-4", 6, "480", "Maker", "Disk", DEVICE("3010", "0300") DISK);
    return 0;
}

static json_t *devices(void)
{
    struct said s = program("devices --json");
    if (s.status) fail_msg("devices: %s", s.err);
    json_t *all = json_loads(s.out, 0, NULL);
    assert_non_null(all);
    said_clear(&s);
    return all;
}

static json_t *device_at(const json_t *all, const char *path)
{
    size_t i;
    json_t *d;
    json_array_foreach (json_object_get(all, "devices"), i, d)
        if (!strcmp(json_get_text(d, "path"), path)) return d;
    return NULL;
}

static void cameras_and_serial_ports_are_listed_and_nothing_else(void **state)
{
    (void)state;
    json_t *all = devices();
    const json_t *camera = device_at(all, "1-2"), *port = device_at(all, "1-3");
    assert_int_equal(json_array_size(json_object_get(all, "devices")), 2);
    assert_string_equal(json_get_text(camera, "what"), "camera");
    assert_string_equal(json_get_text(camera, "says"), "Maker Camera One");
    assert_near(json_get_number(camera, "speed_mbit_per_s"), 480, 0);
    assert_string_equal(json_get_text(camera, "bench_line"), "camera.port: 1-2");
    assert_string_equal(json_get_text(port, "what"), "serial port");
    assert_string_equal(json_get_text(port, "port"), "/dev/ttyUSB0");
    assert_near(json_get_number(port, "speed_mbit_per_s"), 12, 0);
    assert_int_equal(json_array_size(json_object_get(all, "findings")), 0);
    json_decref(all);
    struct said s = program("devices");
    printf("%s", s.out);
    said_clear(&s);
}

/* Another process has the device's node open, as a desktop's mounter does. */
static void who_holds_a_camera_is_told_with_what_to_do(void **state)
{
    (void)state;
    int ready[2];
    char word;
    assert_int_equal(pipe(ready), 0);
    const pid_t other = fork();
    if (other == 0) {
        if (open("/dev/bus/usb/001/004", O_RDWR) < 0) _exit(1);
        if (write(ready[1], "x", 1) != 1) _exit(1);
        pause();
        _exit(0);
    }
    assert_int_equal(read(ready[0], &word, 1), 1);
    json_t *all = devices();
    char wanted[64];
    snprintf(wanted, sizeof wanted, "(process %d)", (int)other);
    assert_non_null(strstr(json_get_text(device_at(all, "1-2"), "held_by"), wanted));
    assert_string_equal(json_get_text(device_at(all, "1-3"), "held_by"), "");
    const json_t *finding = json_array_get(json_object_get(all, "findings"), 0);
    assert_string_equal(json_get_text(finding, "code"), "held");
    assert_non_null(strstr(json_get_text(finding, "advice"), "eject it in the file manager"));
    struct said reset = program("devices --reset 1-2");
    assert_int_equal(reset.status, 4);
    assert_non_null(strstr(reset.err, "in use by"));
    said_clear(&reset);
    json_decref(all);
    kill(other, SIGTERM);
    waitpid(other, NULL, 0);
    close(ready[0]);
    close(ready[1]);
}

/* As somebody else, who may see the machine but not write to its devices. */
static void who_may_not_open_it_is_told_of_the_rules(void **state)
{
    (void)state;
    char node[512], *root = umockdev_testbed_get_root_dir(bed);
    snprintf(node, sizeof node, "%s/dev/bus/usb/001/004", root);
    assert_int_equal(chmod(root, 0777), 0);
    assert_int_equal(chmod(node, 0444), 0);
    g_free(root);
    const bool almighty = geteuid() == 0;
    struct said s = shell("%s staddle devices", almighty ? "setpriv --reuid=65534 --clear-groups" : "");
    assert_int_equal(s.status, 0);
    assert_non_null(strstr(s.out, "! this user may not open 1-2\n"));
    assert_non_null(strstr(s.out, "70-staddle.rules"));
    said_clear(&s);
}

static void a_path_stands_for_the_camera_that_hangs_there(void **state)
{
    (void)state;
    struct err why;
    char port[64], path[USB_PATH_ROOM];
    assert_int_equal(usb_camera_port("1-2", port, sizeof port, &why), 0);
    assert_string_equal(port, "usb:001,004");
    assert_int_equal(usb_camera_port("ptpip:192.168.1.4", port, sizeof port, &why), 0);
    assert_string_equal(port, "ptpip:192.168.1.4");
    assert_int_equal(usb_camera_port("1-4", port, sizeof port, &why), E_IO); /* a disk */
    assert_non_null(strstr(why.text, "1-4"));
    usb_camera_path("", path);
    assert_string_equal(path, "1-2");
    usb_camera_path("usb:001,004", path);
    assert_string_equal(path, "1-2");
    usb_camera_path("usb:001,009", path);
    assert_string_equal(path, "");
    static const char *const no[] = {"", "1", "1-", "1-2x", "usb:1-2", "1-2/3"};
    for (size_t i = 0; i < sizeof no / sizeof *no; i++)
        assert_false(usb_is_path(no[i]));
    assert_true(usb_is_path("1-2") && usb_is_path("12-1.4.3"));
}

struct news {
    int arrived, left;
    char path[USB_PATH_ROOM];
};

static void on_news(void *arg, bool arrived, const char *path)
{
    struct news *n = arg;
    n->arrived += arrived;
    n->left += !arrived;
    snprintf(n->path, sizeof n->path, "%s", path);
}

static int64_t until(struct sched *s, const int *count, int wanted)
{
    const int64_t from = sched_now_us(s);
    while (*count < wanted && sched_now_us(s) - from < WAIT)
        sched_step(s, from + WAIT);
    assert_int_equal(*count, wanted);
    return sched_now_us(s) - from;
}

/* Asked: within a second. */
static void pulling_and_plugging_in_are_told(void **state)
{
    (void)state;
    struct err why;
    struct news news = {0};
    struct usb_watch *watch = NULL;
    struct sched *s = sched_new_real(&why);
    char port[64];
    assert_int_equal(usb_watch_new(s, on_news, &news, &watch, &why), 0);
    umockdev_testbed_uevent(bed, "/sys" BUS "/1-2", "remove");
    umockdev_testbed_remove_device(bed, "/sys" BUS "/1-2");
    const int64_t left_us = until(s, &news.left, 1);
    assert_string_equal(news.path, "1-2");
    assert_int_equal(usb_camera_port("1-2", port, sizeof port, &why), E_IO);
    add_camera(7);
    umockdev_testbed_uevent(bed, "/sys" BUS "/1-2", "add");
    const int64_t back_us = until(s, &news.arrived, 1);
    assert_string_equal(news.path, "1-2");
    assert_int_equal(usb_camera_port("1-2", port, sizeof port, &why), 0);
    assert_string_equal(port, "usb:001,007"); /* another address, the same path */
    printf("measured: a camera pulled out is told after %.0f ms, one plugged in after %.0f ms\n",
           (double)left_us / 1000, (double)back_us / 1000);
    assert_true(left_us < 1000000 && back_us < 1000000);
    usb_watch_free(watch);
    sched_free(s);
}

static void a_virtual_clock_watches_nothing(void **state)
{
    (void)state;
    struct err why;
    struct usb_watch *watch = NULL;
    struct sched *s = sched_new_virtual(&why);
    assert_int_equal(usb_watch_new(s, on_news, NULL, &watch, &why), E_UNSUPPORTED);
    sched_free(s);
}

/* udev(7): KEY, operator, value in quotes; a comma between. */
static void the_rules_are_rules(void **state)
{
    (void)state;
    char line[512];
    int rules = 0;
    FILE *f = fopen("configs/70-staddle.rules", "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        char *at = line;
        if (*at == '#' || *at == '\n') continue;
        for (bool more = true; more;) {
            const size_t key = strspn(at, "ABCDEFGHIJKLMNOPQRSTUVWXYZ_{}");
            assert_true(key > 1);
            at += key;
            const size_t operator= strspn(at, "=+");
            assert_true(operator== 1 || operator== 2);
            at += operator;
            assert_int_equal(*at++, '"');
            at += strcspn(at, "\"\n");
            assert_int_equal(*at++, '"');
            more = *at == ',';
            at += more ? 2 : 0;
        }
        assert_string_equal(at, "\n");
        rules++;
    }
    fclose(f);
    assert_int_equal(rules, 3);
}

int main(int argc, char **argv)
{
    (void)argc;
    const char *preload = getenv("LD_PRELOAD");
    if (!preload || !strstr(preload, "umockdev")) {
        execlp("umockdev-wrapper", "umockdev-wrapper", argv[0], (char *)NULL);
        perror("umockdev-wrapper");
        return 1;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(cameras_and_serial_ports_are_listed_and_nothing_else),
        cmocka_unit_test(who_holds_a_camera_is_told_with_what_to_do),
        cmocka_unit_test(who_may_not_open_it_is_told_of_the_rules),
        cmocka_unit_test(a_path_stands_for_the_camera_that_hangs_there),
        cmocka_unit_test(pulling_and_plugging_in_are_told),
        cmocka_unit_test(a_virtual_clock_watches_nothing),
        cmocka_unit_test(the_rules_are_rules),
    };
    return cmocka_run_group_tests(tests, build_machine, NULL);
}
