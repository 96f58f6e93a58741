build-clang/obj/src/image/decode_raw.o: src/image/decode_raw.c \
  src/image/decode_part.h src/image/decode.h src/base/err.h \
  src/base/mem.h src/base/units.h

src/image/decode_part.h:

src/image/decode.h:

src/base/err.h:

src/base/mem.h:

src/base/units.h:
