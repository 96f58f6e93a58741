build-clang/obj/src/image/decode_jpeg.o: src/image/decode_jpeg.c \
  src/image/decode_part.h src/image/decode.h src/base/err.h \
  src/base/mem.h

src/image/decode_part.h:

src/image/decode.h:

src/base/err.h:

src/base/mem.h:
