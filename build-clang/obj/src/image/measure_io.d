build-clang/obj/src/image/measure_io.o: src/image/measure_io.c \
  src/image/measure_io.h src/base/err.h include/staddle/measure.h \
  src/base/mem.h src/image/cells.h src/image/decode.h

src/image/measure_io.h:

src/base/err.h:

include/staddle/measure.h:

src/base/mem.h:

src/image/cells.h:

src/image/decode.h:
