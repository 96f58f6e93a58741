/* bench.h - what stands on the bench, and what is to be shot on it: the validated content of a bench file and
 * a job file. config/ fills these; everything to its right reads them. Zero means 'not given' unless said
 * otherwise. */
#ifndef STADDLE_BENCH_H
#define STADDLE_BENCH_H

#include <stdbool.h>
#include <stdint.h>

#define NAME_ROOM 64
#define PATH_ROOM 1024

enum light_kind { LIGHT_CONTINUOUS, LIGHT_FLASH };

/* Which values a file gave, and where: whatever is not listed is a default. */
#define ORIGINS_MOST 64
struct origin {
    const char *key; /* "axis.lead_mm"; static */
    int32_t line;    /* from 1 */
};

struct origins {
    struct origin rows[ORIGINS_MOST];
    int32_t count;
};

enum camera_target { TARGET_CARD, TARGET_RAM }; /* where frames lie until they are fetched */
enum camera_fetch { FETCH_ALL, FETCH_JPEG };    /* a raw stays on the card */
enum f_number_shown { SHOWS_MARKED, SHOWS_EFFECTIVE };

struct camera_spec {
    char kind[NAME_ROOM]; /* a name from the backend list, e.g. "simulated" */
    char port[PATH_ROOM]; /* of a tethered one, as the camera library names it; "": the first that is found */
    int32_t width_px, height_px;
    int64_t sensor_width_nm;
    int64_t shutter_lag_us;
    int64_t sync_us;      /* shortest exposure that a flash still fills; 0 unknown */
    int64_t mirror_up_us; /* a first press raises the mirror, so long before the one that exposes; 0: none
                           */
    int64_t busy_us;      /* after an exposure, writing and sending, it takes no other; 0 unknown */
    enum camera_target target; /* of a tethered one */
    enum camera_fetch fetch;
    enum f_number_shown shows; /* which f-number its display and its settings mean */
    /* a camera that others fire, and whose files come into a folder */
    bool by_others;
    char folder[PATH_ROOM];
    bool raw_and_jpeg; /* both come for each frame */
    int64_t wait_us;   /* for a frame, at most; 0: the default */
    /* a camera whose release socket hangs on the rail's controller, and whose frames stay on its card */
    bool by_cable;
    int64_t half_press_us; /* before the full press; 0: none */
    int64_t press_us;      /* how long the full press is held, but for bulb */
    int64_t bulb_from_us;  /* exposures so long are timed by holding it; 0: none is */
};

#define BANDS_MOST 4
struct speed_band {
    int64_t lo_nm_per_s, hi_nm_per_s;
};

struct axis_spec {
    char kind[NAME_ROOM];  /* "rail", "hand", "lens" */
    bool by_hand;          /* a person moves it: nobody knows how long a move takes */
    bool by_lens;          /* the motor of the camera's lens does: it counts, and knows no place */
    char link[PATH_ROOM];  /* "simulated", or a device path */
    int32_t baud;          /* of a serial port; 0: 250000 */
    char world[PATH_ROOM]; /* "": none; else where a simulated bench's world listens for a virtual rail */
    int64_t lead_nm;       /* travel of the carriage per turn of the screw */
    int32_t steps_per_rev, microsteps; /* by hand: marks a turn, and parts of a mark that can be read */
    int64_t clearance_nm; /* how far the rail may go toward the subject from the near mark; 0 unknown */
    int64_t backlash_nm;
    int64_t speed_nm_per_s;
    int64_t start_nm_per_s; /* the motor starts and stops so fast without losing a step */
    double ring_hz;         /* what stands on it rings so after a move, as measured */
    double ring_zeta;       /* share of critical damping */
    double ring_share;      /* how well both are known: by that share either way */
    /* a lens: lead_nm is the length of a count, steps_per_rev and microsteps are 1 */
    int32_t backlash_counts, range_counts; /* range: from stop to stop; 0 unknown */
    char sizes[NAME_ROOM];  /* counts of the named sizes beyond the first, as written: "6, 30" */
    int32_t size_counts[2]; /* the same, read; 0: not measured */
    int32_t size_doubt[2];  /* one order may be off by so many counts; 0: unknown */
    int64_t rest_us;        /* after an order, until the motor stands; 0: the default */
    char avoid[NAME_ROOM];  /* speeds in mm/s at which the motor resonates, as written: "0.8-1.2, 4-5" */
    struct speed_band bands[BANDS_MOST]; /* the same, read */
    int32_t band_count;
};

struct lens_spec {
    int64_t focal_length_nm;
    double f_number;           /* as marked */
    double effective_f_number; /* as working at the magnification */
    double na;                 /* object-side numerical aperture */
    double pupil_ratio;        /* exit over entrance diameter; 1 when not given */
    bool pupil_ratio_given;
    double teleconverter; /* factor; 1 when there is none */
};

struct light_spec {
    enum light_kind kind;
    int64_t recycle_us; /* flash: full power again after */
};

/* Found at the bench: NAME.measured.yaml beside the job file (an end) or the bench file. */
struct mark {
    int64_t position_nm, uncertainty_nm;
    char at[NAME_ROOM]; /* UTC, as JSON shows times; "": it was not found */
    char how[NAME_ROOM];
};

/* What calibration found of the bench, in NAME.measured.yaml beside it; comes before axis.backlash_um and
 * axis.backlash_counts, and before axis.size_counts. */
struct bench_measured {
    struct mark backlash;
    char sizes_at[NAME_ROOM]; /* UTC; "": the named sizes of a lens's motor were not measured */
    double medium_to_small, medium_uncertainty;
    double large_to_medium, large_uncertainty; /* 0: it has but two */
};

struct bench {
    char path[PATH_ROOM];
    char name[NAME_ROOM];
    struct camera_spec camera;
    struct axis_spec axis;
    struct lens_spec lens;
    struct light_spec light;
    struct bench_measured measured;
    struct origins origins;
};

/* What the simulated bench shows and how it misbehaves. Zero means the default, negative means none. */
struct scene_spec {
    bool ruler; /* one that leans back, by 45 degrees unless depth_nm says otherwise; else, without a
                   picture, the clock movement */
    char picture[PATH_ROOM];    /* "": the clock movement; else a JPEG or PNG, resolved like bench_path */
    char depth_map[PATH_ROOM];  /* 8 or 16 bit gray PNG of the same size */
    bool depth_map_is_distance; /* else disparity: depth goes as 1/d; 0 is unknown either way */
    int64_t near_nm,
        depth_nm; /* axis position that focuses the nearest point, and from there to the farthest */
    double noise; /* 1: a good sensor */
    double lamp;  /* 1: well exposed */
    double ring_hz, ring_zeta;          /* of the carriage: 12 Hz, 0.03 */
    double lateral_share;               /* of axial shake that is seen sideways: 0.5 */
    double sway_um, hum_um;             /* subject sway and steady hum, zero-to-peak */
    double drift_um_per_min;            /* of the subject, to the right */
    double skew_um_per_mm;              /* aside, as the axis goes in */
    double backlash_um, screw_error_um; /* of the mechanics */
    double motor_strength;              /* of the speeds and accelerations that it follows: 1 */
    double scatter_um;                  /* of where a move ends, one sigma */
    double breathing; /* relative change of scale over the depth; 0: by perspective of the rail */
    double lamp_ripple, lamp_hz;
    double lamp_scatter_stops, lamp_drift_stops_per_hour;
    int32_t dust, hot_pixels; /* on the sensor, so many */
};

struct region_px {
    int32_t x, y, w, h; /* w == 0: the whole frame */
};

enum job_depth { DEPTH_NONE, DEPTH_MARKS, DEPTH_LENGTH };

struct job {
    char path[PATH_ROOM];
    char name[NAME_ROOM];
    char bench_path[PATH_ROOM]; /* resolved against the job file's folder */
    double magnification;
    int64_t field_width_nm; /* or this */
    enum job_depth depth_kind;
    int64_t near_nm, far_nm;         /* axis positions; DEPTH_LENGTH: near_nm is 0 and far_nm is the depth */
    bool far_guessed;                /* one margin slice more */
    struct mark near_mark, far_mark; /* come before what the job file says */
    char marks_shot_at[NAME_ROOM];   /* UTC, when a stack was begun with these marks: void since; "" */
    int64_t spacing_nm;              /* or */
    double overlap;                  /* 0..1 of the depth of field; negative: not given; or */
    int32_t slices;                  /* between near and far, both included */
    struct region_px region;
    int64_t settle_us;      /* negative: not given */
    int64_t exposure_us;    /* 0: not given */
    int64_t start_delay_us; /* negative: not given */
    double blur_limit_px;   /* 0: the default */
    double contrast_drop;   /* midway between slices; 0: the default of 0.20 */
    bool quiet_frame;       /* one more at the end, when all is still */
    struct scene_spec scene;
    uint64_t seed;
    bool ask_in_doubt; /* resume: nobody can tell whether it was exposed; else it is shot again */
    struct origins origins;
    char *bench_text, *job_text; /* the files as read, for the record; owned */
};

#endif
