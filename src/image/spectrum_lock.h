/* spectrum_lock.h - planning a transform is not thread-safe in FFTW: one lock for all of this folder. */
#ifndef STADDLE_IMAGE_SPECTRUM_LOCK_H
#define STADDLE_IMAGE_SPECTRUM_LOCK_H

void spectrum_lock(void);
void spectrum_unlock(void);

#endif
