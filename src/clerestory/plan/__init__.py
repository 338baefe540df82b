"""Planning a visit: views, stations, kit, light, timetable, field card. The way in is `plan.run.make`."""
