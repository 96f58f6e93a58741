build-clang/obj/src/image/decode_png.o: src/image/decode_png.c \
  src/image/decode_part.h src/image/decode.h src/base/err.h \
  /usr/include/libpng16/png.h /usr/include/libpng16/pnglibconf.h \
  /usr/include/libpng16/pngconf.h src/base/mem.h

src/image/decode_part.h:

src/image/decode.h:

src/base/err.h:

/usr/include/libpng16/png.h:

/usr/include/libpng16/pnglibconf.h:

/usr/include/libpng16/pngconf.h:

src/base/mem.h:
