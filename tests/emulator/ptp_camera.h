/* ptp_camera.h - a camera as ISO 15740 (PTP) describes one, without a wire: operations in, datasets,
 * responses and events out. It includes nothing of the program under test. Codes and datasets from the
 * standard; those of the two lens-drive families from what is publicly known of them, told by vendor
 * extension id alone; all from memory. Times are microseconds of any clock that does not go back.
 *
 * Truth for tests: every release of the shutter and every move of the lens is kept in order, and every object
 * is unique by its release number. */
#ifndef TESTS_EMULATOR_PTP_CAMERA_H
#define TESTS_EMULATOR_PTP_CAMERA_H

#include "tests/emulator/ptp_bytes.h"
#include "tests/emulator/ptp_picture.h"
#include "tests/emulator/ptp_more.h"

enum ptp_family {
    PTP_GENERIC,     /* extension 0: the standard alone, no lens drive */
    PTP_RANGE_DRIVE, /* extension 0x0A: signed steps of the lens, live view, a poll for events */
    PTP_NAMED_SIZES  /* extension 0x0B: three sizes of step either way; all settings come as polled records */
};

enum ptp_response {
    PTP_OK = 0x2001,
    PTP_GENERAL_ERROR = 0x2002,
    PTP_SESSION_NOT_OPEN = 0x2003,
    PTP_OPERATION_NOT_SUPPORTED = 0x2005,
    PTP_PARAMETER_NOT_SUPPORTED = 0x2006,
    PTP_INVALID_STORAGE = 0x2008,
    PTP_INVALID_HANDLE = 0x2009,
    PTP_PROPERTY_NOT_SUPPORTED = 0x200A,
    PTP_STORE_FULL = 0x200C,
    PTP_DEVICE_BUSY = 0x2019,
    PTP_INVALID_VALUE = 0x201C,
    PTP_SESSION_ALREADY_OPEN = 0x201E,
    PTP_DRIVE_AT_END = 0xA00C, /* family 0x0A */
    PTP_DRIVE_TOO_SHORT = 0xA00E,
    PTP_NO_LIVE_VIEW = 0xA00B,
    PTP_NOT_READY = 0xA102 /* family 0x0B */
};

/* One thing that befalls the camera at one moment of its n-th accepted release. */
enum ptp_phase {
    PTP_NO_PHASE,
    PTP_BEFORE_TRIGGER, /* the release is asked for */
    PTP_TRIGGER_SENT,   /* and has fired */
    PTP_ANNOUNCED,      /* its object was told of, whatever is asked next */
    PTP_MID_TRANSFER,
    PTP_TRANSFERRED, /* the object went over, whole */
    PTP_BETWEEN      /* the lens is driven on */
};
enum ptp_blow {
    PTP_BUSY,    /* that operation is answered so */
    PTP_ERROR,   /* general error */
    PTP_FULL,    /* store full */
    PTP_CUT,     /* the link goes down */
    PTP_MUTE,    /* no event tells any more, until the release after that */
    PTP_STALLED, /* the host's library hangs: `struck` sees to that */
    PTP_KILLED,  /* the host's program is killed: the same */
    PTP_AWAY,    /* the camera is switched off, comes back after two seconds, its lens is elsewhere */
    PTP_BLOWS
};
struct ptp_harm {
    enum ptp_phase phase;
    enum ptp_blow blow;
    int32_t nth;
    int32_t parks; /* AWAY: so many counts away from where it was */
    void (*struck)(void *arg, enum ptp_blow);
    void *arg;
};

#define PTP_BULB          0xFFFFFFFFu /* as an exposure time */
#define PTP_OBJECTS_MOST  512
#define PTP_RELEASES_MOST 512
#define PTP_MOVES_MOST    16384
#define PTP_EVENTS_MOST   64
#define PTP_PARAMS        5

/* What goes wrong, by the number of the release or of the operation, from 1; 0: never. */
struct ptp_faults {
    int32_t refuse_release;   /* general error, nothing exposed */
    int32_t busy_release;     /* device busy, so many times in a row from the first on */
    int32_t full_release;     /* store full */
    int32_t lie_release;      /* exposed, and answered as busy */
    int32_t lose_object;      /* exposed, complete, but no object */
    int32_t mute_release;     /* exposed and stored, no event tells */
    int32_t hang_release;     /* the answer never comes */
    int32_t drop_release;     /* the link goes down before the answer; the shutter has fired */
    int32_t drop_transfer;    /* the link goes down in the middle of the n-th object's data */
    int32_t slow_transfer;    /* a gap of three seconds in the n-th object's data */
    int32_t complete_first;   /* that release tells COMPLETE before the object */
    int32_t silent_end_stops; /* the lens stops at its ends and says OK (the named sizes always do) */
    int32_t limiter_from;     /* from the n-th move on the focus-range switch holds the lens; it says OK */
    int32_t late_drive;       /* the n-th move is answered busy after a second, and has moved */
};

struct ptp_camera_opts {
    enum ptp_family family;
    bool raw;                          /* raw and JPEG for each release */
    int64_t ready_us;                  /* from the end of the exposure to the object; 0: 100 ms */
    int32_t battery;                   /* per cent; 0: 80 */
    int32_t shots_left;                /* on the card; 0: 999 */
    int32_t lens_lo, lens_hi, lens_at; /* counts; all 0: -4000, 4000, 0 */
    int32_t lens_play;                 /* the motor turns by so much before the glass turns back */
    int32_t lens_us_a_count;           /* 0: 50; negative: none */
    bool mirror_lock;                  /* by a switch in its menu: a first press raises the mirror */
    int32_t sizes[3];                  /* counts of the named sizes; 0: 1, 6, 30 */
    struct ptp_faults faults;
    struct ptp_harm harm;
    struct ptp_scene scene;   /* what its own pictures show */
    struct ptp_extras extras; /* more properties */
    /* The JPEG of a release, to be freed with free(); NULL: a small made one that names its release. */
    uint8_t *(*picture)(void *arg, int32_t release, int32_t lens_at, int64_t exposure_us, size_t *count_out);
    void *picture_arg;
};

struct ptp_release {
    int64_t open_us, shut_us;
    int32_t lens_at;
    int64_t exposure_us;
    int64_t mirror_us; /* how long the mirror had been up; 0: it was not */
};

struct ptp_move {
    int32_t asked, from, to; /* asked of the motor; where the glass was, and is */
};

struct ptp_object {
    uint32_t handle;
    int32_t release; /* from 1 */
    uint16_t format; /* 3801 EXIF/JPEG, 3000 undefined (raw) */
    char name[16];
    uint8_t *bytes;
    uint32_t count;
    bool for_host; /* in memory alone: in no list, and gone with the link */
};

struct ptp_event {
    uint16_t code;
    uint32_t param;
    int64_t due_us;
};

struct ptp_camera {
    struct ptp_camera_opts opts;
    bool session, live_view;
    int32_t lens_at;      /* of the glass: what a picture shows */
    int32_t lens_slack;   /* how far the motor may still go away from the camera before the glass follows */
    uint16_t drive_ended; /* how the range drive's last move did */
    int64_t lens_busy_until_us, shutter_until_us;
    struct ptp_object objects[PTP_OBJECTS_MOST];
    int32_t object_count;
    struct ptp_release releases[PTP_RELEASES_MOST];
    int32_t release_count, release_asked, raised;
    int64_t mirror_since_us; /* 0: it is down */
    struct ptp_move moves[PTP_MOVES_MOST];
    int32_t move_count, move_asked;
    struct ptp_event events[PTP_EVENTS_MOST];
    int32_t event_count;
    int32_t transfers;
    /* of the harm */
    bool harmed, muted, announced;
    uint16_t next_code; /* that the next operation is answered with; 0: none */
    /* properties */
    uint8_t compression;
    uint16_t white_balance, f_number, focus_mode, program, iso;
    uint32_t exposure_time; /* 1/10000 s */
    int64_t bulb_since_us;  /* open since then; 0: it is not */
    char date_time[20];
    /* of the named sizes: what the next poll for events begins with, and the settings in the family's codes
     */
    struct ptp_out records;
    bool to_host, listed, event_mode;
    uint16_t live_output, live_mode, named_focus, drive_mode;
};

void ptp_camera_init(struct ptp_camera *, const struct ptp_camera_opts *);
void ptp_camera_clear(struct ptp_camera *);

struct ptp_request {
    uint16_t code;
    uint32_t param[PTP_PARAMS];
    const uint8_t *data; /* what the initiator sends with it; NULL: nothing */
    size_t data_count;
};

enum ptp_wire_fault {
    PTP_WIRE_GOOD,
    PTP_WIRE_HANG,         /* no answer, ever */
    PTP_WIRE_DROP,         /* the link goes down instead of an answer */
    PTP_WIRE_DROP_HALFWAY, /* in the middle of the data */
    PTP_WIRE_GAP,          /* three seconds in the middle of the data */
    PTP_WIRE_LATE,         /* answered after a second */
    PTP_WIRE_DROP_AFTER,   /* answered, then the link goes down */
    PTP_WIRE_AWAY,         /* no answer, and no link for two seconds */
    PTP_WIRE_AWAY_AFTER,   /* answered, then that */
    PTP_WIRE_AWAY_HALFWAY
};

struct ptp_answer {
    uint16_t code;
    uint32_t param[PTP_PARAMS];
    int param_count;
    struct ptp_out data;
    bool has_data; /* an empty dataset is data, too */
    enum ptp_wire_fault fault;
};

/* `answer` is empty on entry; put_free(&answer->data) afterwards. */
void ptp_camera_do(struct ptp_camera *, const struct ptp_request *, int64_t now_us,
                   struct ptp_answer *answer);

/* The next event that is due and goes by itself (generic family); false when none is. */
bool ptp_camera_event(struct ptp_camera *, int64_t now_us, struct ptp_event *out);

#endif
