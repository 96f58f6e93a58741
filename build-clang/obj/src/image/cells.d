build-clang/obj/src/image/cells.o: src/image/cells.c src/image/cells.h \
  src/base/err.h src/image/decode.h include/staddle/measure.h \
  src/base/mem.h

src/image/cells.h:

src/base/err.h:

src/image/decode.h:

include/staddle/measure.h:

src/base/mem.h:
